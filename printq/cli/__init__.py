"""The command line: reads arguments, calls one function of the library, shows the record it gives.

The only place that knows typer, rich and exit statuses, and that chooses between hardware and simulation.
Modules here import the rest of the program inside their functions, so that `printq --help` is quick.
"""
