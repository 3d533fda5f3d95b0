"""The journal: what has been recorded, judged and delivered. The truth after a power cut.

SQLite in WAL mode with `synchronous=FULL`: a step that has returned is on disk. Only the driver process
writes. `event` is the append-only story for people; the other tables are what the next run works from.
"""

from __future__ import annotations

import json
import sqlite3
import tempfile
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Literal, TypeVar

from printq.deliver import TrimHistory
from printq.errors import FileError, StorageError
from printq.models.delivery import Acceptance, RenderedPrint, Trim
from printq.models.pace import SetUpTime
from printq.models.plan import Move
from printq.models.snapshots import Settings
from printq.models.take import Confirmation, TakeRecord
from printq.models.verdict import SourceFacts, Timing, Verdict

__all__ = ["Delivery", "FileStamp", "Journal", "Reprint", "RunEntry", "SetUpEntry", "TakeEntry", "TakeState", "now"]

Entry = TypeVar("Entry")

SCHEMA_VERSION = 2
"""2 added the tables `run` and `set_up`; a journal of version 1 gets them when it is next written to."""

TakeState = Literal["rolling", "taken", "failed", "held", "good", "delivered", "spare"]
"""`failed`: bad luck, taken again; `held`: waits for a person; `good`: waits for the other takes that it is to be
compared with; `spare`: good, another take was delivered."""

SCHEMA = """
CREATE TABLE IF NOT EXISTS meta (key TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS event (
    id INTEGER PRIMARY KEY, at TEXT NOT NULL, kind TEXT NOT NULL, pass TEXT, text TEXT NOT NULL, data TEXT);
CREATE TABLE IF NOT EXISTS take (
    pass TEXT NOT NULL, number INTEGER NOT NULL, state TEXT NOT NULL, file TEXT NOT NULL, stream TEXT NOT NULL,
    identity TEXT NOT NULL, terms TEXT NOT NULL, source TEXT NOT NULL, settings TEXT NOT NULL,
    confirmed TEXT NOT NULL, record TEXT, timing TEXT, trim TEXT, rendered TEXT, verdict TEXT, why TEXT,
    PRIMARY KEY (pass, number)) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS delivery (
    pass TEXT NOT NULL, version INTEGER NOT NULL, take INTEGER NOT NULL, state TEXT NOT NULL, target TEXT NOT NULL,
    staged TEXT NOT NULL, file_sha256 TEXT NOT NULL, audio_sha256 TEXT NOT NULL, identity TEXT NOT NULL,
    sidecar TEXT NOT NULL, size INTEGER, mtime_ns INTEGER, at TEXT NOT NULL, accepted TEXT,
    PRIMARY KEY (pass, version)) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS reprint (id INTEGER PRIMARY KEY, pass TEXT NOT NULL, note TEXT NOT NULL, at TEXT NOT NULL,
    done INTEGER NOT NULL DEFAULT 0);
CREATE TABLE IF NOT EXISTS file (
    path TEXT PRIMARY KEY, size INTEGER NOT NULL, mtime_ns INTEGER NOT NULL, file_sha256 TEXT NOT NULL,
    audio_sha256 TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS trim (insert_id TEXT PRIMARY KEY, history TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS rack (unit TEXT PRIMARY KEY, insert_id TEXT NOT NULL, settings TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS stream (
    id INTEGER PRIMARY KEY, at TEXT NOT NULL, driver TEXT NOT NULL, device TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS run (
    id INTEGER PRIMARY KEY, at TEXT NOT NULL, planned_s REAL NOT NULL, passes INTEGER NOT NULL,
    simulated INTEGER NOT NULL, took_s REAL, printed INTEGER);
CREATE TABLE IF NOT EXISTS set_up (
    id INTEGER PRIMARY KEY, run INTEGER NOT NULL, pass TEXT NOT NULL, at TEXT NOT NULL, moves TEXT NOT NULL,
    took_s REAL NOT NULL);
"""


def now() -> str:
    """The time, ISO 8601 in UTC, to the second."""
    return datetime.now(UTC).replace(microsecond=0).isoformat()


@dataclass(frozen=True)
class TakeEntry:
    """What the journal knows about a take."""

    pass_id: str
    number: int
    state: TakeState
    file: str
    stream: str
    identity: dict[str, Any]
    terms: dict[str, Any]
    """What decided about it besides its sound: limits, layout, retries."""
    source: SourceFacts
    settings: Settings
    confirmed: Confirmation
    record: TakeRecord | None
    timing: Timing | None
    trim: Trim | None
    rendered: RenderedPrint | None
    verdict: Verdict | None
    why: str | None
    """Why it failed or is held, in words."""


@dataclass(frozen=True)
class Delivery:
    """A print: intended (named in the journal before it has its name on disk) or done."""

    pass_id: str
    version: int
    take: int
    done: bool
    target: str
    staged: str
    file_sha256: str
    audio_sha256: str
    identity: dict[str, Any]
    sidecar: str
    size: int | None
    mtime_ns: int | None
    at: str
    accepted: Acceptance | None


@dataclass(frozen=True)
class Reprint:
    """Somebody asked for a pass to be printed again."""

    pass_id: str
    note: str
    at: str
    done: bool


@dataclass(frozen=True)
class RunEntry:
    """A run that had something to print, beside its plan."""

    number: int
    at: str
    planned_s: float
    passes: int
    simulated: bool
    took_s: float | None
    """None for a run that is under way or was broken off."""
    printed: int | None


@dataclass(frozen=True)
class SetUpEntry:
    """A set-up that a person did."""

    run: int
    simulated: bool
    """In a run on the simulated rack."""
    time: SetUpTime


@dataclass(frozen=True)
class FileStamp:
    """What a file was when it was last read in full."""

    size: int
    mtime_ns: int
    file_sha256: str
    audio_sha256: str


class Journal:
    """The journal of one session; use it as a context manager.

    Parameters
    ----------
    path : Path
        The database; made where it does not exist, unless `read_only`.
    read_only : bool
        For commands that only look: nothing is created or changed. A journal that does not exist yet reads as
        an empty one.

    Raises
    ------
    FileError
        The file is not a journal, is damaged, or was made by a later version.
    StorageError
        It cannot be written.
    """

    def __init__(self, path: Path, *, read_only: bool = False) -> None:
        self.path = path
        try:
            if read_only and not path.exists():
                self._db = sqlite3.connect(":memory:", isolation_level=None)
            else:
                self._db = sqlite3.connect(path, isolation_level=None, timeout=10.0)
                if not read_only:
                    self._db.execute("PRAGMA journal_mode=WAL")
                    self._db.execute("PRAGMA synchronous=FULL")
            self._db.row_factory = sqlite3.Row
            if not read_only or not path.exists():
                self._db.executescript(SCHEMA)
            else:
                self._db.execute("PRAGMA query_only=ON")
            self._version = SCHEMA_VERSION
            self._check_version(write=not read_only or not path.exists())
        except sqlite3.DatabaseError as error:
            raise self._translate(error) from error

    def __enter__(self) -> Journal:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Close the database; safe to call twice."""
        self._db.close()

    @contextmanager
    def step(self) -> Iterator[None]:
        """Everything inside becomes true at once, or not at all."""
        try:
            self._db.execute("BEGIN IMMEDIATE")
            try:
                yield
            except BaseException:
                self._db.execute("ROLLBACK")
                raise
            self._db.execute("COMMIT")
        except sqlite3.DatabaseError as error:
            raise self._translate(error) from error

    # ---- the story ----

    def tell(self, kind: str, text: str, pass_id: str | None = None, data: Mapping[str, Any] | None = None) -> None:
        """Add to the story that people read."""
        self._run(
            "INSERT INTO event (at, kind, pass, text, data) VALUES (?, ?, ?, ?, ?)",
            (now(), kind, pass_id, text, json.dumps(data) if data is not None else None),
        )

    def story(self) -> list[tuple[str, str, str | None, str]]:
        """All events as (at, kind, pass, text), oldest first."""
        rows = self._run("SELECT at, kind, pass, text FROM event ORDER BY id")
        return [(row["at"], row["kind"], row["pass"], row["text"]) for row in rows]

    # ---- streams and the rack ----

    def begin_stream(self, driver: str, device: str) -> str:
        """A start of the stream; returns its name."""
        cursor = self._run("INSERT INTO stream (at, driver, device) VALUES (?, ?, ?)", (now(), driver, device))
        return str(cursor.lastrowid)

    def count_streams(self) -> int:
        """How often a stream has been started in this session."""
        return int(self._run("SELECT COUNT(*) FROM stream").fetchone()[0])

    def remember_rack(self, unit: str, insert: str, settings: Mapping[str, Any]) -> None:
        """What a unit was last set to, and the insert it was in."""
        self._run("INSERT OR REPLACE INTO rack VALUES (?, ?, ?)", (unit, insert, json.dumps(settings)))

    def rack(self) -> dict[str, tuple[str, dict[str, Any]]]:
        """Unit to (insert, settings), as last dialled."""
        return {row["unit"]: (row["insert_id"], json.loads(row["settings"])) for row in self._run("SELECT * FROM rack")}

    def trim_history(self, insert: str) -> TrimHistory | None:
        """The last trim decision for an insert."""
        row = self._run("SELECT history FROM trim WHERE insert_id = ?", (insert,)).fetchone()
        return TrimHistory.model_validate_json(row["history"]) if row else None

    def set_trim_history(self, insert: str, history: TrimHistory) -> None:
        """Keep a trim decision."""
        self._run("INSERT OR REPLACE INTO trim VALUES (?, ?)", (insert, history.model_dump_json()))

    # ---- times ----

    def begin_run(self, planned_s: float, passes: int, *, simulated: bool) -> int:
        """A run begins, with a plan of so many seconds and passes; returns its number."""
        cursor = self._run(
            "INSERT INTO run (at, planned_s, passes, simulated) VALUES (?, ?, ?, ?)",
            (now(), planned_s, passes, int(simulated)),
        )
        return int(cursor.lastrowid or 0)

    def end_run(self, number: int, took_s: float, printed: int) -> None:
        """A run has come to its end, with so many of its passes printed."""
        self._run("UPDATE run SET took_s = ?, printed = ? WHERE id = ?", (took_s, printed, number))

    def last_run(self) -> RunEntry | None:
        """The last run that had something to print."""
        if self._version < 2:
            return None
        row = self._run("SELECT * FROM run ORDER BY id DESC LIMIT 1").fetchone()
        if row is None:
            return None
        return RunEntry(
            number=row["id"],
            at=row["at"],
            planned_s=row["planned_s"],
            passes=row["passes"],
            simulated=bool(row["simulated"]),
            took_s=row["took_s"],
            printed=row["printed"],
        )

    def keep_set_up(self, run: int, pass_id: str, moves: Sequence[Move], took_s: float) -> None:
        """A person has done a set-up, and it took so many seconds."""
        text = json.dumps([move.model_dump(mode="json", by_alias=True) for move in moves])
        self._run(
            "INSERT INTO set_up (run, pass, at, moves, took_s) VALUES (?, ?, ?, ?, ?)",
            (run, pass_id, now(), text, took_s),
        )

    def set_ups(self) -> list[SetUpEntry]:
        """Every set-up that a person has done, oldest first."""
        if self._version < 2:
            return []
        rows = self._run(
            "SELECT set_up.*, run.simulated FROM set_up JOIN run ON run.id = set_up.run ORDER BY set_up.id"
        )
        return self._read(_set_up_of, rows)

    # ---- takes ----

    def begin_take(
        self,
        pass_id: str,
        number: int,
        file: str,
        stream: str,
        identity: Mapping[str, Any],
        terms: Mapping[str, Any],
        source: SourceFacts,
        settings: Settings,
        confirmed: Confirmation,
    ) -> None:
        """A take is about to roll."""
        self._run(
            "INSERT INTO take (pass, number, state, file, stream, identity, terms, source, settings, confirmed) "
            "VALUES (?, ?, 'rolling', ?, ?, ?, ?, ?, ?, ?)",
            (
                pass_id,
                number,
                file,
                stream,
                json.dumps(identity),
                json.dumps(terms),
                source.model_dump_json(),
                json.dumps(settings),
                confirmed.model_dump_json(),
            ),
        )

    def end_take(self, record: TakeRecord) -> None:
        """A take is safe on disk."""
        self._run(
            "UPDATE take SET state = 'taken', record = ? WHERE pass = ? AND number = ?",
            (record.model_dump_json(), record.pass_id, record.number),
        )

    def set_take(
        self,
        pass_id: str,
        number: int,
        *,
        state: TakeState | None = None,
        timing: Timing | None = None,
        trim: Trim | None = None,
        rendered: RenderedPrint | None = None,
        verdict: Verdict | None = None,
        why: str | None = None,
    ) -> None:
        """Add what has become known about a take; what is left out stays."""
        for column, value in (
            ("state", state),
            ("timing", timing.model_dump_json() if timing else None),
            ("trim", trim.model_dump_json() if trim else None),
            ("rendered", rendered.model_dump_json() if rendered else None),
            ("verdict", verdict.model_dump_json() if verdict else None),
            ("why", why),
        ):
            if value is not None:
                self._run(f"UPDATE take SET {column} = ? WHERE pass = ? AND number = ?", (value, pass_id, number))

    def takes(self, pass_id: str) -> list[TakeEntry]:
        """The takes of a pass, oldest first."""
        rows = self._run("SELECT * FROM take WHERE pass = ? ORDER BY number", (pass_id,))
        return self._read(_take_of, rows)

    def take(self, pass_id: str, number: int) -> TakeEntry:
        """One take, which must exist."""
        return next(entry for entry in self.takes(pass_id) if entry.number == number)

    def rolling_takes(self) -> list[TakeEntry]:
        """Takes that were rolling when the journal was last written: of this run, or of one that was killed."""
        return self._read(_take_of, self._run("SELECT * FROM take WHERE state = 'rolling'"))

    def completed_takes(self, pass_id: str) -> int:
        """Takes of a pass that were recorded to their end."""
        row = self._run("SELECT COUNT(*) FROM take WHERE pass = ? AND record IS NOT NULL", (pass_id,)).fetchone()
        return int(row[0])

    # ---- deliveries ----

    def intend_delivery(
        self,
        pass_id: str,
        version: int,
        take: int,
        *,
        target: str,
        staged: str,
        file_sha256: str,
        audio_sha256: str,
        identity: Mapping[str, Any],
        sidecar: str,
        accepted: Acceptance | None,
    ) -> None:
        """Name a print and its checksum before it gets its name on disk."""
        self._run(
            "INSERT OR REPLACE INTO delivery VALUES (?, ?, ?, 'intended', ?, ?, ?, ?, ?, ?, NULL, NULL, ?, ?)",
            (
                pass_id,
                version,
                take,
                target,
                staged,
                file_sha256,
                audio_sha256,
                json.dumps(identity),
                sidecar,
                now(),
                accepted.model_dump_json() if accepted else None,
            ),
        )

    def finish_delivery(self, pass_id: str, version: int, size: int, mtime_ns: int) -> None:
        """The print has its name; or was read again, and is still the same with another time."""
        self._run(
            "UPDATE delivery SET state = 'done', size = ?, mtime_ns = ? WHERE pass = ? AND version = ?",
            (size, mtime_ns, pass_id, version),
        )

    def deliveries(self, pass_id: str) -> list[Delivery]:
        """The deliveries of a pass, by version."""
        rows = self._run("SELECT * FROM delivery WHERE pass = ? ORDER BY version", (pass_id,))
        return self._read(_delivery_of, rows)

    def last_delivery(self, pass_id: str) -> Delivery | None:
        """The newest print of a pass that was finished."""
        return next((d for d in reversed(self.deliveries(pass_id)) if d.done), None)

    # ---- requests ----

    def ask_reprint(self, pass_id: str, note: str) -> None:
        """Somebody wants a pass printed again."""
        self._run("INSERT INTO reprint (pass, note, at) VALUES (?, ?, ?)", (pass_id, note, now()))

    def reprints(self, pass_id: str) -> list[Reprint]:
        """All requests for a pass, oldest first."""
        rows = self._run("SELECT * FROM reprint WHERE pass = ? ORDER BY id", (pass_id,))
        return [Reprint(row["pass"], row["note"], row["at"], bool(row["done"])) for row in rows]

    def settle_reprints(self, pass_id: str, upto: str) -> None:
        """The requests for a pass that were made up to a time have been met."""
        self._run("UPDATE reprint SET done = 1 WHERE pass = ? AND at <= ?", (pass_id, upto))

    # ---- files ----

    def stamp(self, path: str) -> FileStamp | None:
        """What is known of a file."""
        row = self._run("SELECT * FROM file WHERE path = ?", (path,)).fetchone()
        return FileStamp(row["size"], row["mtime_ns"], row["file_sha256"], row["audio_sha256"]) if row else None

    def set_stamp(self, path: str, stamp: FileStamp) -> None:
        """Keep what a file was when it was read in full."""
        self._run(
            "INSERT OR REPLACE INTO file VALUES (?, ?, ?, ?, ?)",
            (path, stamp.size, stamp.mtime_ns, stamp.file_sha256, stamp.audio_sha256),
        )

    # ---- for the archive ----

    def passes(self) -> list[str]:
        """Every pass that was ever begun, those too that the job no longer has."""
        return [row["pass"] for row in self._run("SELECT DISTINCT pass FROM take ORDER BY pass")]

    def copy(self) -> bytes:
        """A consistent copy of the whole journal, as the bytes of a database file of its own."""
        try:
            with tempfile.TemporaryDirectory() as folder:
                path = Path(folder) / "journal.sqlite"
                copy = sqlite3.connect(path, isolation_level=None)
                try:
                    self._db.backup(copy)
                    # One file, without the log beside it that a copy of the bytes would miss.
                    copy.execute("PRAGMA journal_mode=DELETE")
                finally:
                    copy.close()
                return path.read_bytes()
        except sqlite3.DatabaseError as error:
            raise self._translate(error) from error

    # ---- inside ----

    def _run(self, sql: str, values: Sequence[Any] = ()) -> sqlite3.Cursor:
        try:
            return self._db.execute(sql, values)
        except sqlite3.DatabaseError as error:
            raise self._translate(error) from error

    def _read(self, make: Callable[[sqlite3.Row], Entry], rows: Iterable[sqlite3.Row]) -> list[Entry]:
        """Rows as entries; one that makes no sense means that the journal is damaged."""
        try:
            return [make(row) for row in rows]
        except (IndexError, ValueError) as error:
            raise self._damaged(str(error).split("\n")[0]) from error

    def _damaged(self, why: str) -> FileError:
        return FileError(
            f"the journal {self.path} cannot be read ({why}); move it aside to start a new one, "
            "the prints and takes stay where they are"
        )

    def _check_version(self, *, write: bool) -> None:
        row = self._db.execute("SELECT value FROM meta WHERE key = 'schema'").fetchone()
        if row is None:
            if write:
                self._db.execute("INSERT INTO meta VALUES ('schema', ?)", (str(SCHEMA_VERSION),))
            return
        self._version = int(row[0])
        if self._version > SCHEMA_VERSION:
            raise FileError(f"{self.path} was written by a later version of printq; use that version")
        if write and self._version < SCHEMA_VERSION:
            # What is new since are tables, and those have just been made.
            self._db.execute("UPDATE meta SET value = ? WHERE key = 'schema'", (str(SCHEMA_VERSION),))
            self._version = SCHEMA_VERSION

    def _translate(self, error: sqlite3.DatabaseError) -> FileError | StorageError:
        text = str(error)
        if isinstance(error, sqlite3.OperationalError) and "no such table" not in text:
            return StorageError(f"the journal {self.path} cannot be written ({text}); nothing was lost")
        return self._damaged(text)


def _take_of(row: sqlite3.Row) -> TakeEntry:
    return TakeEntry(
        pass_id=row["pass"],
        number=row["number"],
        state=row["state"],
        file=row["file"],
        stream=row["stream"],
        identity=json.loads(row["identity"]),
        terms=json.loads(row["terms"]),
        source=SourceFacts.model_validate_json(row["source"]),
        settings=json.loads(row["settings"]),
        confirmed=Confirmation.model_validate_json(row["confirmed"]),
        record=TakeRecord.model_validate_json(row["record"]) if row["record"] else None,
        timing=Timing.model_validate_json(row["timing"]) if row["timing"] else None,
        trim=Trim.model_validate_json(row["trim"]) if row["trim"] else None,
        rendered=RenderedPrint.model_validate_json(row["rendered"]) if row["rendered"] else None,
        verdict=Verdict.model_validate_json(row["verdict"]) if row["verdict"] else None,
        why=row["why"],
    )


def _set_up_of(row: sqlite3.Row) -> SetUpEntry:
    moves = tuple(Move.model_validate(move) for move in json.loads(row["moves"]))
    time = SetUpTime(pass_id=row["pass"], moves=moves, took_s=row["took_s"])
    return SetUpEntry(run=row["run"], simulated=bool(row["simulated"]), time=time)


def _delivery_of(row: sqlite3.Row) -> Delivery:
    return Delivery(
        pass_id=row["pass"],
        version=row["version"],
        take=row["take"],
        done=row["state"] == "done",
        target=row["target"],
        staged=row["staged"],
        file_sha256=row["file_sha256"],
        audio_sha256=row["audio_sha256"],
        identity=json.loads(row["identity"]),
        sidecar=row["sidecar"],
        size=row["size"],
        mtime_ns=row["mtime_ns"],
        at=row["at"],
        accepted=Acceptance.model_validate_json(row["accepted"]) if row["accepted"] else None,
    )
