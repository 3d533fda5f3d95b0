"""`python -m printq` and the `printq` command."""

from __future__ import annotations

import sys


def main() -> None:
    """Run the command line and exit with its status."""
    from printq.cli.app import run_command_line

    sys.exit(run_command_line())


if __name__ == "__main__":
    main()
