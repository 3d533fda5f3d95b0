"""Whatever stands in the files, `check` gives a report and `load_job` a job or a JobError; nothing else comes out."""

from __future__ import annotations

import os
import random
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from printq.errors import JobError, ProblemLike
from printq.intake import check_job, load_job
from tests.intake.builders import JOB, RIG, SNAPSHOTS, SmallSession

FILES = {"rig.toml": RIG, "snapshots.toml": SNAPSHOTS, "job.toml": JOB}
VALUES = (
    "0", "-1", "3.5", "1e400", "nan", "-inf", "9" * 400, "true", '""', '"x"', '"12:30"', "'opto'", "[]", "[[]]", "{}",
    "[1, 2]", '["solo"]', '["solo", 3, {}]', "{ id = 1 }", "{ insert = [] }", "{ warn = 1 }", "07:30:00", "1871-06-24",
    '"\\u0000"', '"\\u001b[2J"', '"' + "long" * 2000 + '"', '"../.."', '"."', '"/"', '"mix"', '["mix", "mix"]', "256",
)  # fmt: skip
KEYS = ("id", "units", "mode", "sends", "file", "sum_of", "made_from", "through", "insert", "preset", "patch", "range")

quick = settings(
    max_examples=60,
    deadline=None,
    # The folder is written anew by every example.
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)


def check_that_nothing_surprises(session: SmallSession) -> None:
    before = session.listing()
    report = check_job(session.folder)
    errors = [problem for problem in report.problems if problem.severity == "error"]
    assert (report.job is None) == bool(errors)
    for problem in report.problems:
        # Of pathlib, a name that is too long would be an OSError here.
        exists = os.path.isfile(problem.file)  # noqa: PTH113
        lines = Path(problem.file).read_bytes().count(b"\n") + 1 if exists else 1
        assert 1 <= problem.line <= lines
        assert problem.message
        assert problem.hint
        assert problem.line_of_text().isprintable()
    assert raised_by_load(session) == errors
    assert session.listing() == before


def raised_by_load(session: SmallSession) -> list[ProblemLike]:
    try:
        load_job(session.folder)
    except JobError as error:
        return list(error.problems)
    return []


@quick
@given(data=st.data())
def test_any_bytes_in_the_place_of_a_file(data: st.DataObject, session: SmallSession) -> None:
    name = data.draw(st.sampled_from(sorted(FILES)))
    (session.folder / name).write_bytes(data.draw(st.binary(max_size=200) | st.text(max_size=200).map(str.encode)))
    check_that_nothing_surprises(session)
    session.write(name, FILES[name])


@quick
@given(chance=st.randoms(use_true_random=False), changes=st.integers(1, 8))
def test_lines_that_are_removed_doubled_moved_or_given_other_values(
    chance: random.Random, changes: int, session: SmallSession
) -> None:
    texts = {name: text.splitlines() for name, text in FILES.items()}
    for _ in range(changes):
        change_a_line(chance, texts[chance.choice(sorted(texts))])
    for name, lines in texts.items():
        session.write(name, "\n".join(lines) + "\n")
    check_that_nothing_surprises(session)


def change_a_line(chance: random.Random, lines: list[str]) -> None:
    at = chance.randrange(len(lines))
    key, equals, _ = lines[at].partition(" = ")
    what = chance.choice(["value", "value", "value", "key", "remove", "double", "swap", "insert"])
    if what == "value" and equals:
        lines[at] = f"{key} = {chance.choice(VALUES)}"
    elif what == "key" and equals:
        lines[at] = lines[at].replace(key, chance.choice(KEYS), 1)
    elif what == "remove" and len(lines) > 1:
        del lines[at]
    elif what == "double":
        lines.insert(at, lines[at])
    elif what == "swap":
        other = chance.randrange(len(lines))
        lines[at], lines[other] = lines[other], lines[at]
    else:
        lines.insert(at, f"{chance.choice(KEYS)} = {chance.choice(VALUES)}")


@pytest.mark.slow  # all together
@pytest.mark.parametrize("value", VALUES)
@pytest.mark.parametrize("name", sorted(FILES))
def test_every_value_in_the_place_of_every_other(value: str, name: str, session: SmallSession) -> None:
    lines = FILES[name].splitlines()
    for at, line in enumerate(lines):
        key, equals, _ = line.partition(" = ")
        if equals and not key.startswith("  {"):
            session.write(name, "\n".join([*lines[:at], f"{key} = {value}", *lines[at + 1 :], ""]))
            check_that_nothing_surprises(session)


@pytest.mark.parametrize("name", sorted(FILES))
def test_every_line_may_be_missing(name: str, session: SmallSession) -> None:
    lines = FILES[name].splitlines()
    for at in range(len(lines)):
        session.write(name, "\n".join([*lines[:at], *lines[at + 1 :], ""]))
        check_that_nothing_surprises(session)
