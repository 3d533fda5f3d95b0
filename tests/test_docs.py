"""The documentation says what the program does: nothing is missing, nothing is out of date, no link leads nowhere."""

from __future__ import annotations

import importlib.util
import re
import shutil
import subprocess
import sys
from pathlib import Path
from types import ModuleType
from typing import get_args

import pytest
import typer
from pydantic import BaseModel

from printq.audio.processors.kinds import KINDS
from printq.cli.app import app
from printq.errors import ExitStatus
from printq.models import delivery, explanation, job, pace, plan, problem, rig, snapshots, standing, verdict
from printq.models.limits import CHECK_IDS, Limits
from printq.verify.findings import FINDINGS

ROOT = Path(__file__).parent.parent
DOCS = ROOT / "docs"
REFERENCE = DOCS / "reference"
README = (ROOT / "README.md").read_text(encoding="utf-8")
PAGES = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted(DOCS.rglob("*.md"))]

WRITTEN_BY_PEOPLE = {
    "rig-file.md": (
        rig.Rig,
        rig.Interface,
        rig.TimingLoop,
        rig.Unit,
        rig.Control,
        rig.Insert,
        rig.Simulation,
        rig.Fault,
        rig.UnitModel,
        rig.ControlDrive,
    ),
    "job-file.md": (job.JobFile, job.Options, job.Stem, job.Through, job.SumTerm),
    "snapshots-file.md": (snapshots.SnapshotFile, snapshots.Snapshot),
    "checks.md": (Limits,),
}
WRITTEN_BY_THE_PROGRAM = {
    "sidecar.md": (
        delivery.Sidecar,
        delivery.PlayedSource,
        delivery.SidecarUnit,
        delivery.Trim,
        delivery.RenderedPrint,
        delivery.Acceptance,
        verdict.Timing,
        verdict.Level,
        verdict.Loudness,
    ),
    "json.md": (
        standing.Standing,
        verdict.Check,
        plan.Plan,
        plan.PlanEntry,
        plan.Move,
        problem.Problem,
        explanation.Explanation,
        explanation.Cause,
        pace.Experience,
        pace.RunOutcome,
        pace.DialTime,
    ),
}


def fields(models: dict[str, tuple[type[BaseModel], ...]]) -> list[object]:
    """(page, key as written in a file) of every field, one parameter each."""
    return [
        pytest.param(page, field.alias or key, id=f"{model.__name__}.{key}")
        for page, group in models.items()
        for model in group
        for key, field in model.model_fields.items()
    ]


def commands() -> list[str]:
    return sorted(typer.main.get_command(app).commands)  # type: ignore[attr-defined]


def headings(text: str) -> list[str]:
    return re.findall(r"^#+ (.+)$", without_code(text), flags=re.MULTILINE)


def anchor(heading: str) -> str:
    """The fragment that leads to a heading."""
    return re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-")


def anchors(path: Path) -> list[str]:
    return [anchor(heading) for heading in headings(path.read_text(encoding="utf-8"))]


def without_code(text: str) -> str:
    return re.sub(r"^```.*?^```$", "", text, flags=re.MULTILINE | re.DOTALL)


def section(text: str, heading: str) -> str:
    found = re.search(rf"^## {re.escape(heading)}\n(.*?)(?=^## |\Z)", text, flags=re.MULTILINE | re.DOTALL)
    assert found is not None, f"no section {heading!r}"
    return found[1]


def page(name: str) -> str:
    return (REFERENCE / name).read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def generator() -> ModuleType:
    spec = importlib.util.spec_from_file_location("generate_docs", DOCS / "generate.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


# ---- the tables ----


def test_generated_tables_are_current(generator: ModuleType) -> None:
    """`python docs/generate.py` would change nothing."""
    stale = [path.name for path, text in generator.rendered_pages() if path.read_text(encoding="utf-8") != text]
    assert stale == []


def test_a_table_that_is_out_of_date_is_found(generator: ModuleType, tmp_path: Path, monkeypatch) -> None:
    shutil.copytree(DOCS, tmp_path / "docs")
    monkeypatch.setattr(generator, "DOCS", tmp_path / "docs")
    edited = tmp_path / "docs" / "reference" / "checks.md"
    edited.write_text(edited.read_text(encoding="utf-8").replace("over -75", "over -74"), encoding="utf-8")
    assert generator.main(["--check"]) == 1
    assert generator.main([]) == 0
    assert edited.read_text(encoding="utf-8") == page("checks.md")


@pytest.mark.parametrize(("name", "key"), fields(WRITTEN_BY_PEOPLE | WRITTEN_BY_THE_PROGRAM))
def test_every_field_is_documented(name: str, key: str) -> None:
    assert f"`{key}`" in page(name)


@pytest.mark.parametrize(
    ("model", "key"),
    [
        pytest.param(model, key, id=f"{model.__name__}.{key}")
        for group in WRITTEN_BY_PEOPLE.values()
        for model in group
        for key in model.model_fields
    ],
)
def test_every_field_that_people_write_has_a_meaning(model: type[BaseModel], key: str) -> None:
    """The table and the JSON Schema show it."""
    assert model.model_fields[key].description


# ---- what there is ----


def test_the_cli_page_has_every_command_and_no_other() -> None:
    documented = [h.removeprefix("printq ") for h in headings(page("cli.md")) if h.startswith("printq ")]
    assert sorted(documented) == commands()


@pytest.mark.parametrize("name", commands())
def test_every_command_has_its_document_in_the_json_page(name: str) -> None:
    assert name in headings(page("json.md"))


@pytest.mark.parametrize("check", CHECK_IDS)
def test_every_check_is_documented(check: str) -> None:
    """Each has a section with where its limit comes from."""
    assert "Limit: " in section(page("checks.md"), check)


@pytest.mark.parametrize("name", FINDINGS)
def test_every_cause_and_remedy_stands_in_the_section_of_its_check(name: str) -> None:
    text = section(page("checks.md"), name.partition(".")[0])
    assert FINDINGS[name].cause in text
    assert FINDINGS[name].remedy in text


@pytest.mark.parametrize("status", ExitStatus, ids=lambda status: status.name)
def test_every_exit_status_is_documented(status: ExitStatus) -> None:
    assert f"| {status.value} | {status.name.lower()} |" in page("exit-codes.md")


@pytest.mark.parametrize("state", get_args(standing.PassState))
def test_every_state_is_documented(state: str) -> None:
    architecture = (DOCS / "architecture.md").read_text(encoding="utf-8")
    assert f"| `{state}` |" in section(architecture, "States of a pass")
    assert f"`{state}`" in section(page("json.md"), "status")


@pytest.mark.parametrize("kind", get_args(rig.Fault.model_fields["kind"].annotation))
def test_every_fault_is_documented(kind: str) -> None:
    assert f"| `{kind}` |" in section(page("rig-file.md"), "Fault")


@pytest.mark.parametrize("mode", get_args(rig.ChannelMode))
def test_every_channel_mode_is_documented(mode: str) -> None:
    assert f"| `{mode}` |" in section(page("rig-file.md"), "Insert")


def test_the_unit_models_page_has_every_kind_and_no_other() -> None:
    assert headings(page("unit-models.md"))[1:] == list(KINDS)


def test_every_decision_is_listed() -> None:
    files = sorted(path.name for path in (DOCS / "decisions").glob("0*.md"))
    listed = re.findall(r"\]\((0[\w-]+\.md)\)", (DOCS / "decisions" / "README.md").read_text(encoding="utf-8"))
    assert listed == files


def test_every_package_is_on_the_map() -> None:
    folders = [path.name for path in (ROOT / "printq").iterdir() if (path / "__init__.py").exists()]
    developers = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    architecture = (DOCS / "architecture.md").read_text(encoding="utf-8")
    assert [name for name in folders if f"`printq/{name}/`" not in developers] == []
    assert [name for name in folders if f"**{name}**" not in architecture] == []


# ---- the pages themselves ----


@pytest.mark.parametrize("path", PAGES, ids=lambda path: path.relative_to(ROOT).as_posix())
def test_no_link_leads_nowhere(path: Path) -> None:
    broken = []
    for target in re.findall(r"\]\(([^)\s]+)\)", without_code(path.read_text(encoding="utf-8"))):
        if target.startswith(("http://", "https://")):
            continue
        name, _, fragment = target.partition("#")
        other = path.parent / name if name else path
        if not other.exists() or (fragment and fragment not in anchors(other)):
            broken.append(target)
    assert broken == []


@pytest.mark.parametrize("path", PAGES, ids=lambda path: path.relative_to(ROOT).as_posix())
def test_a_page_has_one_title_and_names_no_place_on_somebodys_machine(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    assert len(re.findall(r"^# ", without_code(text), flags=re.MULTILINE)) == 1
    assert re.search(r"(/home/|/root/|/Users/|/tmp/|[A-Z]:\\)", text) is None


def test_the_readme_names_commands_and_options_that_exist() -> None:
    used = set(re.findall(r"(?<![\w./-])(?:\.venv/bin/)?printq ([a-z]+)\b", "\n".join(re.findall(r"`[^`]+`", README))))
    assert used <= set(commands())
    assert "printq run sample_sessions/lighthouse_waltz --yes" in README
    assert (ROOT / "sample_sessions" / "lighthouse_waltz" / "job.toml").exists()


@pytest.mark.slow
def test_the_readme_shows_what_the_sample_run_prints(tmp_path: Path) -> None:
    """Word for word but for the seconds, which depend on the computer, and delays, to a tenth of a sample."""
    session = tmp_path / "waltz"
    shutil.copytree(ROOT / "sample_sessions" / "lighthouse_waltz", session, ignore=shutil.ignore_patterns(".printq"))
    for print_file in [*session.rglob("*.v[0-9]*.wav"), *session.rglob("*.v[0-9]*.json")]:
        print_file.unlink()
    command = [sys.executable, "-m", "printq", "run", str(session), "--yes"]
    done = subprocess.run(command, capture_output=True, text=True, encoding="utf-8", check=True)
    shown = re.search(r"^```text\n(.*?)^```$", README, flags=re.MULTILINE | re.DOTALL)
    assert shown is not None

    def settled(text: str) -> list[str]:
        lines = re.sub(r"in [\d.]+ s$", "in some s", text.rstrip(), flags=re.MULTILINE).splitlines()
        return [re.sub(r"(\d+\.\d)\d(?=  )", r"\1", line) for line in lines]

    assert settled(done.stdout) == settled(shown[1])
