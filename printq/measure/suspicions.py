"""What stands out in one channel of a take, and what is a fault among it once the take is known.

The questions and their reasons are told in `dropouts`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from printq.measure.cells import (
    CLEARLY_LEFT,
    CONTEXT,
    LOST_DB,
    MOST_SHARE,
    NEVER,
    SILENT,
    SPELLS,
    CellLooks,
    in_db,
    look,
)
from printq.measure.doubts import (
    BEYOND,
    NEAR,
    fall_db,
    half_closed,
    in_step,
    lasting_rise_db,
    left_by_moving_gain,
    onset_db,
    recurrence_db,
    response_change_db,
    step_db,
    whitening_change_db,
)
from printq.measure.faults import ABOVE_NEIGHBOURS, FaultKind, Suspicion
from printq.measure.held import WhitenedWaves
from printq.measure.impulses import AROUND, alone_db, explained
from printq.measure.replaced import LONGEST, Replaced
from printq.measure.stretches import Stretch, StretchFinder
from printq.measure.tracking import BLOCKS, CELLS, KERNEL, Followed, impulse_response
from printq.measure.usual import LEAST_SCORE, LEAST_SHARE, ScoreTail, UsualShares, highest_of_each

__all__ = ["ChannelSuspicions"]

Real = NDArray[np.float32]
Signal = NDArray[np.float64]

MOST_EVENTS = 4000
"""Suspicions of a channel that are remembered until the end; the strongest."""
EDGE = 30
"""Cells at both ends of a take that are not judged: 10 ms."""

LEAST_REPEAT = 4.2
"""Score as a longer repeat that counts, in dB."""
ABOVE_RAW = -30.5
"""Against the power of the return nearby. A tick 20 dB below the local peak has -21 or more; a compressor that bends
a bass note has up to -30."""
FAINTEST, FAINT_IN_BASS = -62.0, 4.5
"""Fainter ones, from here on, are faults only where the delay has a step; in bass they need not even stand out much."""
MOST_CONFIRMED, CLICK_TRUST = 6, 0.5
"""Suspicions in a segment that may be the click of a slip; and the part of their likelihood that is believed, for what
is left beside them is not quite noise."""

# What is beyond doubt by its shape, however small a share of what was expected it is.
IMPULSE_PART, IMPULSE_OUT = 0.9, 10.0
"""Part that one impulse explains, and by how much it stands out of what is like one nearby, in dB (`impulses`). Of 740
ticks four have less; in 30 hours of clean takes nothing that has as large a part stands out by 9.5."""
LEAST_PART, OUT_FOR_PART = 0.82, 100.0
"""It may explain no less, if it stands out by more; in dB for each 1 of what is missing."""
OUT_OF_ECHO = 6.0
"""Behind a unit that may have an echo it must stand out by so much more: the stem may have had an impulse itself."""
IMPULSE_EXPECTED = 0.2
"""So much of what was expected there may be like an impulse itself: a unit that saturates bends the peak of a burst."""
# Of what is less like one impulse, more is asked.
IMPULSE_ABOVE, IMPULSE_SHARE, IMPULSE_RAW = 9.5, -36.0, -50.0
FAR_ABOVE = 30.0
"""Over its neighbours, in dB, right before a note that is far louder: then it may be as faint."""
IMPULSE_ALIKE, IMPULSE_ALONE = 0.93, 0.88
"""Part of the rest that three whitened impulses side by side explain, of the 25 samples around them and of all that is
near. Ticks and gaps of one to three samples have 0.95 and more, crests that a saturation bends up to 0.90."""
EXPECTED_ALIKE = 0.5
"""And so little of what was expected there."""
UNCLEAR_ABOVE, UNCLEAR_SHARE, UNCLEAR_RAW = 5.0, -20.0, -50.0
"""What may be one edge of a fault: over its neighbours, as a share, and beside the return, in dB."""
MOST_UNCLEAR = 12
"""Such places in a segment, and such in which nothing came back, that are looked at as they are."""
CERTAIN_PART = 0.98
"""So well explained, a gap or repeat with two edges may come as often as it likes."""
OPENS, MOST_OPENING = 3.0, 24
"""By how much it gets louder for good where a gate may have opened, in dB; and such places in a segment that are looked
at."""
TAPS = 12
"""Cells to either side that whitening reaches."""
MOST_SHAPES = 12
"""Cells in a segment that are compared with an impulse, and spells in it."""
GAP_ONSET = 6.0
"""A gate closes more slowly."""
STILL_EXPECTED, STILL_HEARD = 8.0, 0.1
"""Times the noise, and part of what was expected, up to a gap."""
EQUAL, EQUAL_CHANCE, MOST_EQUAL = 4, 1e-4, 4096
"""So many equal samples, if so many are improbable in a segment with so many equal neighbours."""
MOST_SURE, MOST_SPELLS, MOST_TICKS = 400, 1600, 4
"""In a channel of a take; what comes more often is how a unit is, but for what is beyond doubt."""
IMPULSE_MARGIN, IMPULSE_RAW_MARGIN = 11.0, 6.0
"""By how much an impulse may be a smaller share than other faults, and fainter."""
STEADY_LEVEL = 30.0
"""Where the stem is cut off or sets in, power by more than this, its own edge looks like an impulse."""

SPELL_HOPS, SPELL_DOUBT = (2, 2, 4, 8, 16, 32), 1.5
"""Spells are looked at around every so many cells first, which makes them look less, in dB, at most."""
ALL_COUNTED, COUNTED_AFTER = 16, 4
"""Even segments of which all scores of spells are counted, and after how many one is counted from then on."""
ABOVE_SPELL = (10.0, 8.0, 8.0, 9.0, 11.0, 12.0)
"""By how much the rest of a spell is over that on either side, in dB; short and long ones come about more easily."""
LEAST_SPELL, ABRUPT = 3.5, 9.0
"""Score that counts, and how steeply a fault begins, in dB."""
# How much more is asked of a suspicion because of what is around it (`doubts`): from where on, dB for each dB, at most.
SPELL_AT_ONSET, CELL_AT_ONSET = (10.0, 0.7, 14.0), (20.0, 0.5, 8.0)
"""By how much what is expected rises."""
SETS_IN = (25.0, 0.5, 12.0)
"""By how much louder the return is behind it; the end of a gap is known by its edge."""
RECURS = (-8.0, 1.0, 6.0)
"""By how much what is left stands out of what is far away, negative: faults by 8 dB and more."""
STEPS = (7.0, 1.0, 12.0)
"""By how much the gain differs for good. Compressors leave it within 6 dB."""
QUICK_STEPS = (2.0, 4.0, 12.0)
"""By how much the gain close by differs, if one explains either side."""
MOVES = (1.0, 1.0, 20.0)
"""How much less a gain that moves in one direction leaves; of faults, by up to 1.6 dB."""
RELEARNT = (6.0, 1.0, 20.0)
"""By how much the level of what is expected changes at a seam, or of what is heard."""
FALLS = (40.0, 0.5, 10.0)
"""How far a repeat lies below what was heard in the 67 ms before: of music, next to nothing."""

JOINED_CELLS = 140
"""Two edges of one fault are at most this far apart: 47 ms."""
ECHO_SHARE, LOST_SHARE = 0.07, 0.25
"""A unit that leaves this much unexplained has echoes, or something like it; it cannot be followed at all."""
ECHO_MARGIN = 1.0
IN_STEP_DB = 9.0
"""What comes at equal intervals is how a unit bends a tone."""
ONCE_LOST_DB = 6.0
"""A unit that will be lost is little to be trusted before."""
STEADY_CELLS = 7
"""In 2.3 ms no gain moves much."""
EARLY_DB = 4.0
"""How much more is asked in the first segment, from which alone the response is known there."""
GATED_DB, MOST_HALF_CLOSED, GATING = 20.0, (4, 12), 60
"""How much more is asked where a gate is closing: in more than so many cells, of a spell or of so many to either side
of a single cell."""
SEAM, SEAM_DB = 2, 8.0
"""Cells on either side of a seam between segments, and how much more is asked of them."""


@dataclass
class ChannelSuspicions:
    """One channel: cells on their way, the suspicions, and what is usual in the take."""

    channel: int
    cell: int
    _cells: Signal = field(default_factory=lambda: np.zeros((5, CONTEXT)))
    _waves: WhitenedWaves = field(default_factory=WhitenedWaves)
    """As far as the cells go."""
    _whitening: list[Real] = field(default_factory=list)
    """That of the last two segments."""
    _impulses: list[Suspicion] = field(default_factory=list)
    _like_shapes: list[Suspicion] = field(default_factory=list)
    """Equal samples, and what is like an impulse."""
    _first: int = -1
    """Frame of the first cell held."""
    _ends: int = 0
    """Frame behind the last segment."""
    _drifting: bool = False
    _bass: bool = False
    """Whether the last segment told nothing about the delay."""
    _lost: int = 0
    """Frame up to which the return could not be followed at some time."""
    _clicks: list[tuple[int, float]] = field(default_factory=list)
    _unclear: list[Suspicion] = field(default_factory=list)
    _opening: list[Suspicion] = field(default_factory=list)
    _certain: list[Suspicion] = field(default_factory=list)
    _likely: list[Suspicion] = field(default_factory=list)
    """Gaps and repeats between sharp edges, the second not so well explained."""
    _found: list[Suspicion] = field(default_factory=list)
    _usual: UsualShares = field(default_factory=UsualShares)
    _even: int = 0
    """Segments in which nothing sets in at once."""
    _spells: ScoreTail = field(default_factory=ScoreTail)
    _spelled: list[tuple[float, Suspicion]] = field(default_factory=list)
    _scores: ScoreTail = field(default_factory=ScoreTail)
    _repeats: ScoreTail = field(default_factory=ScoreTail)
    _heard: list[float] = field(default_factory=list)
    """Loudest cell of each of the last segments."""
    _unexplained: Signal = field(default_factory=lambda: np.zeros((2, 2)))
    _share: float = 0.0
    """Share of the return that is not explained, with or without whitening."""

    def __post_init__(self) -> None:
        self._stretches = StretchFinder(self.cell)

    def add(self, followed: Followed, start: int) -> None:
        """Take a segment."""
        if self._first < 0:
            self._first = start - CONTEXT * self.cell
            self._waves.add_silence(CONTEXT * self.cell)
        pair, raw = followed.pairs[self.channel], followed.power[self.channel]
        # With a gain of its own for each of them: a compressor that works hard is not an echo.
        pieces = pair.energies.reshape(3, -1, STEADY_CELLS) @ np.ones(STEADY_CELLS)
        left = np.maximum(pieces[0] - pieces[1] ** 2 / np.maximum(pieces[2], 1e-30), 0.0)
        active = pieces[2] > 0.01 * pieces[0]
        new = np.array([[left[active].sum(), pieces[0][active].sum()], followed.energies[self.channel]])
        self._unexplained = 0.9 * self._unexplained + new
        self._share = float(np.min(self._unexplained[:, 0] / np.maximum(self._unexplained[:, 1], 1e-30)))
        self._ends = start + pair.energies.shape[1] * self.cell
        self._bass, self._drifting = followed.bass, followed.drifting
        self._heard = [*self._heard[-2:], float(pair.energies[0].max())]
        held = self._cells.shape[1]
        cells = np.empty((5, held + pair.energies.shape[1]))
        cells[:, :held] = self._cells
        cells[:3, held:] = pair.energies
        cells[3, held:] = raw.reshape(-1, self.cell) @ np.full(self.cell, 1.0 / self.cell, dtype=np.float32)
        cells[4, held:].reshape(BLOCKS, -1)[:] = followed.impulse[self.channel][:, np.newaxis]
        self._cells = cells
        self._waves.add(pair.returned, pair.expected, raw)
        self._whitening = [*self._whitening[-1:], followed.whitening[self.channel]]
        self._judge()

    def clicks(self) -> list[tuple[int, float]]:
        """What in what was judged last may be the click of a slip: frames, and by how much likelier one is there than
        none, as twice the logarithm."""
        found, self._clicks = self._clicks, []
        return found

    def unclear(self) -> list[Suspicion]:
        """Places in what was judged last that may be gaps or repeats, or edges of some."""
        found, self._unclear = self._unclear, []
        return found

    def explain(self, event: Suspicion, found: Replaced, start: int) -> None:
        """What is unclear is a gap or a repeat, of signals that begin at a frame."""
        exact = found.edges == 2
        certain = exact and found.part > CERTAIN_PART
        known, most = (self._certain, MOST_EVENTS) if certain else (self._likely, MOST_SURE)
        first, last = start + found.start, start + found.end
        # Both edges of a fault may have led to it.
        if len(known) > most or any((each.start, each.end) == (first, last) for each in known[-2 * MOST_UNCLEAR :]):
            return
        known.append(replace(event, start=first, end=last, kind=found.kind, exact=exact))

    def opening(self) -> list[tuple[Suspicion, Real]]:
        """What stood out in what was judged last where it gets louder for good, and the filter that whitens there."""
        found, self._opening = self._opening, []
        return [(event, impulse_response(self._whitening_at(event.start), TAPS * self.cell)) for event in found]

    def forgive(self, event: Suspicion) -> None:
        """It is the unit that opens, and no fault."""
        self._found = [each for each in self._found if each is not event]
        self._like_shapes = [each for each in self._like_shapes if each is not event]
        self._spelled = [each for each in self._spelled if each[1] is not event]

    def finish(self) -> None:
        """Nothing follows."""
        self._cells = np.concatenate((self._cells, np.zeros((5, CONTEXT))), axis=1)
        self._waves.add_silence(CONTEXT * self.cell)
        self._judge()

    def events(self, frames: int) -> list[Suspicion]:
        """What stands out of the whole."""
        low, high = EDGE * self.cell, frames - EDGE * self.cell
        scores, repeats = self._scores.threshold(), max(LEAST_REPEAT, self._repeats.threshold())
        found = [event for event in self._found if self._score(event) >= scores or event.repeat >= repeats]
        spell = max(LEAST_SPELL, self._spells.threshold())
        often = [event for strength, event in self._spelled if strength >= spell]
        apart = JOINED_CELLS * self.cell
        row = in_step([event.start for event in found + often], apart, 2 * self.cell)
        found = [
            event
            for event in found
            if self._score(event, -self._doubt_at(event, row)) >= scores or event.repeat - self._later(event) >= repeats
        ]
        spelled = [event for strength, event in self._spelled if strength - self._doubt_at(event, row) >= spell]
        if _places(often, 2 * apart) > MOST_TICKS:
            # What comes again and again is how the unit is, in whatever way it is seen.
            spelled, found = [], [each for each in found if not any(_overlap(each, other) for other in often)]
        sure = self._known_by_shape(scores) + self._known_by_edges()
        # Where single cells say the same, they know the place better.
        spelled = [each for each in spelled if not any(_overlap(each, other) for other in found + sure)]
        events = found + sure + spelled
        for stretch in self._stretches.result():
            events = self._lasting(stretch, events)
        return [event for event in events if low <= event.start < high]

    def _lasting(self, stretch: Stretch, events: list[Suspicion]) -> list[Suspicion]:
        """One event in place of those at the edges of a stretch, if there are any, and within it.

        Where one is known to the sample, that is what there is.
        """
        near = EDGE * self.cell
        if any(e.exact and e.start < stretch.end + near and stretch.start < e.end + near for e in events):
            return events
        begins, ends = ([e for e in events if abs(e.start - place) <= near] for place in (stretch.start, stretch.end))
        if not (begins or ends or stretch.sure):
            return events
        start = min((event.start for event in begins), default=stretch.start)
        end = max((event.start for event in ends), default=stretch.end)
        within = [event for event in events if start <= event.start <= end]
        level = max((event.level for event in within), default=float(in_db(np.array([stretch.level]))[0]))
        one = Suspicion(self.channel, start, end, stretch.kind, level=level)
        return [event for event in events if event not in within] + [one]

    def _known_by_edges(self) -> list[Suspicion]:
        """Gaps and repeats between sharp edges, but for those that may be none and come too often."""
        few = _places(self._likely, JOINED_CELLS * self.cell) <= MOST_TICKS
        return self._certain + (self._likely if few else [])

    def _known_by_shape(self, scores: float) -> list[Suspicion]:
        """Impulses and equal samples. What only is like an impulse may be fainter than what a score tells, but not come
        again and again: then the unit is so."""
        if len(self._like_shapes) > MOST_SURE:
            return self._impulses
        ticks = [e for e in self._like_shapes if e.kind == "tick" and self._score(e, IMPULSE_MARGIN) >= scores]
        others = [event for event in self._like_shapes if event.kind != "tick"]
        return self._impulses + others + (ticks if len(ticks) <= MOST_TICKS else [])

    def _later(self, event: Suspicion) -> float:
        """How much more is asked of an event because of what came later."""
        return ONCE_LOST_DB if event.start < self._lost else 0.0

    def _doubt_at(self, event: Suspicion, row: set[int]) -> float:
        """How much more is asked of an event; `row` is where things come at equal intervals."""
        return max(event.doubt, IN_STEP_DB if event.start in row else 0.0) + self._later(event)

    def _score(self, event: Suspicion, margin: float = 0.0) -> float:
        return min(
            event.neighbours - ABOVE_NEIGHBOURS + min(margin, 0.0),
            event.share - self._usual.share(event.loudness) + margin,
            event.raw - ABOVE_RAW + min(margin, IMPULSE_RAW_MARGIN),
        )

    def _judge(self) -> None:
        count = self._cells.shape[1] - 2 * CONTEXT
        if count <= 0:
            return
        first = self._first + CONTEXT * self.cell
        looks = look(self._cells, self.cell, self._past(), max(self._heard[:-1], default=0.0))
        if self._share > LOST_SHARE:
            self._lost = first + count * self.cell
        if self._drifting or self._share > LOST_SHARE:
            # Not predictable: only what is gross counts.
            looks = replace(looks, neighbours=looks.neighbours - LOST_DB, repeat=looks.repeat - LOST_DB)
        # Where two segments meet, the response changes a little, and with it what is expected.
        for seam in range(-(first // self.cell) % (CELLS * BLOCKS), count + SEAM, CELLS * BLOCKS):
            looks.share[max(0, seam - SEAM) : seam + SEAM] -= SEAM_DB
        trusted = self._share <= ECHO_SHARE and not self._drifting
        inner = self._cells[:, CONTEXT:-CONTEXT]
        self._stretches.add(inner[:3], looks.rest / inner[4], first, trusted=trusted)
        levels = self._usual.levels(looks.loudness)
        self._usual.add(looks, levels)
        score = np.minimum(looks.neighbours - ABOVE_NEIGHBOURS, looks.raw - ABOVE_RAW)
        strict = np.minimum(score, looks.share - self._usual.table[levels])
        self._scores.add(strict)
        self._repeats.add(looks.repeat)
        self._look_at_spells(looks, levels, first)
        # All that follows looks for what stands out of its neighbours.
        out = np.flatnonzero(looks.neighbours > FAINT_IN_BASS)
        above, share, raw = looks.neighbours[out], looks.share[out], looks.raw[out]
        hot = out[(score[out] > 0.0) & (share > LEAST_SHARE)]
        if (looks.repeat > 0.0).any():
            hot = np.union1d(hot, np.flatnonzero(looks.repeat > 0.0))
        if len(hot):
            self._remember(hot, looks, first)
        # Where samples of a bass note are lost, the step is faint.
        least = FAINT_IN_BASS if self._bass else ABOVE_NEIGHBOURS
        places = out[(above > least) & (raw > FAINTEST) & (share > MOST_SHARE)]
        if len(places):
            groups = np.split(places, np.flatnonzero(np.diff(places) > 6) + 1)
            best = [int(group[np.argmax(looks.neighbours[group])]) for group in groups]
            best = sorted(best, key=lambda place: -looks.neighbours[place])[:MOST_CONFIRMED]
            clear = CLICK_TRUST * self.cell * (looks.rest / looks.before - 1.0)
            self._clicks = [(first + place * self.cell + self.cell // 2, float(clear[place])) for place in sorted(best)]
        self._look_at_shapes(looks, out, first)
        self._look_for_edges(looks, strict, out, first)
        self._cells = self._cells[:, count:]
        self._waves.drop(count * self.cell)
        self._first += count * self.cell

    def _look_at_spells(self, looks: CellLooks, levels: NDArray[np.intp], first: int) -> None:
        """Pieces longer than a cell; `levels` are the classes of loudness of all cells."""
        # Without an edge nothing is ever told of a spell; how high the scores of such segments are, some tell as well.
        times = 1
        if not (looks.rest > 10.0 ** (ABRUPT / 10.0) * looks.before).any():
            self._even += 1
            if self._even > ALL_COUNTED:
                if self._even % COUNTED_AFTER:
                    return
                times = COUNTED_AFTER
        least, raw = (10.0 ** ((each + NEVER) / 10.0) for each in (float(self._usual.table.min()), ABOVE_RAW))
        if not looks.spells.may_reach(least, raw):
            self._spells.add_highest(np.full(-(-len(looks.rest) // CELLS), SILENT), times)
            return
        scores = self._spell_scores(looks, levels, SPELL_HOPS)
        of_blocks = [highest_of_each(each, CELLS // hop) for each, hop in zip(scores, SPELL_HOPS, strict=True)]
        highest = in_db(np.max(of_blocks, axis=0))
        if highest.max() <= LEAST_SPELL - SPELL_DOUBT:
            self._spells.add_highest(highest, times)
            return
        every = np.array(self._spell_scores(looks, levels, (1,) * len(SPELLS)))
        which, best = np.argmax(every, axis=0), in_db(every.max(axis=0))
        self._spells.add_highest(highest_of_each(best, CELLS), times)
        for place in _strongest(np.flatnonzero(best > LEAST_SPELL), best, MOST_SHAPES):
            half = SPELLS[int(which[place])] // 2
            # A fault begins at once; a gate or a capacitor takes its time.
            if looks.onset(max(0, place - half - 4), place + half) < ABRUPT or len(self._spelled) >= MOST_SPELLS:
                continue
            low, high = max(0, place - half), min(len(best), place + half)
            loud = np.flatnonzero(looks.rest[low:high] >= 0.25 * looks.rest[low:high].mean())
            low, high = low + int(loud[0]), low + int(loud[-1]) + 1
            kind = _between(
                self._cells[:4, CONTEXT + low : CONTEXT + high], self._cells[:4, CONTEXT + low - 12 : CONTEXT + low]
            )
            doubt = self._doubt_spell(looks, place, half, (low, high), first)
            event = self._event(looks, place, first, (low, high), kind, doubt=doubt)
            self._spelled.append((float(best[place]), event))
            self._look_for_rise(event, (low + high) // 2)

    def _spell_scores(self, looks: CellLooks, levels: NDArray[np.intp], hops: tuple[int, ...]) -> list[Signal]:
        """Scores, as powers, of pieces of each length around every so many cells; `levels` are those of all cells."""
        above = 10.0 ** (np.array(ABOVE_SPELL) / 10.0)
        return looks.spells.scores(hops, above, 10.0 ** (self._usual.table / 10.0), levels, 10.0 ** (ABOVE_RAW / 10.0))

    def _event(
        self,
        looks: CellLooks,
        place: int,
        first: int,
        cells: tuple[int, int],
        kind: FaultKind,
        *,
        level: float | None = None,
        repeat: float = SILENT,
        doubt: float = 0.0,
    ) -> Suspicion:
        """What stands out at a place, and lasts from one cell to another; `first` is the frame of the first cell."""
        return Suspicion(
            channel=self.channel,
            start=first + cells[0] * self.cell,
            end=first + cells[1] * self.cell,
            kind=kind,
            neighbours=float(looks.neighbours[place]),
            share=float(looks.share[place]),
            raw=float(looks.raw[place]),
            loudness=float(looks.loudness[place]),
            level=looks.level(place, place + 1) if level is None else level,
            repeat=repeat,
            doubt=doubt,
        )

    def _doubt_spell(self, looks: CellLooks, place: int, half: int, loud: tuple[int, int], first: int) -> float:
        """How much more is asked of a spell of twice `half` cells around a place, most of which is in some of them."""
        cells = self._cells[:, place : place + 2 * CONTEXT + 1]
        low, high = CONTEXT - half, CONTEXT + half
        left = left_by_moving_gain(cells[:3, 20:-20], self.cell)[low - 20 : high - 20]
        judged = looks.spells.rest[place + low : place + high]
        explained = 10.0 * math.log10(max(float(judged.sum()), 1.0) / max(float(left.sum()), 1.0))
        changed = self._changed_response(cells, first + (place - CONTEXT) * self.cell)
        most = loud[0] - place + CONTEXT, loud[1] - place + CONTEXT
        onset = max(onset_db(cells[2], *each, self.cell) for each in ((low, high), most))
        return (
            (EARLY_DB if first + place * self.cell < CELLS * BLOCKS * self.cell else 0.0)
            + _asked(onset, SPELL_AT_ONSET)
            + _asked(lasting_rise_db(cells[3], low, high), SETS_IN)
            + self._doubt(looks, cells, place, 2 * half)
            + self._doubt_gate(cells, most, MOST_HALF_CLOSED[0])
            + _asked(explained, MOVES)
            + _asked(changed, RELEARNT)
        )

    def _doubt(self, looks: CellLooks, cells: Signal, place: int, length: int) -> float:
        """How much more is asked of anything of some length at a place, in dB; `cells` are those around it."""
        rest = looks.spells.rest[place : place + 2 * CONTEXT + 1]
        alone = recurrence_db(rest, cells[2], CONTEXT, length, self.cell)
        return _asked(-alone, RECURS) + self._doubt_step(cells)

    def _doubt_step(self, cells: Signal) -> float:
        """How much more is asked of what is in the middle of some cells because the gain is stepped there, in dB."""
        for_good, quick = (step_db(cells[:3], CONTEXT, away, self.cell) for away in (BEYOND, NEAR))
        return max(_asked(for_good, STEPS), _asked(quick, QUICK_STEPS))

    def _doubt_cell(self, looks: CellLooks, place: int) -> float:
        """How much more is asked of a single cell, or a few."""
        cells = self._cells[:, place : place + 2 * CONTEXT + 1]
        rise = onset_db(cells[2], CONTEXT - 2, CONTEXT + 3, self.cell)
        gate = self._doubt_gate(cells, (CONTEXT - GATING, CONTEXT + GATING), MOST_HALF_CLOSED[1])
        return _asked(rise, CELL_AT_ONSET) + self._doubt(looks, cells, place, 2) + gate

    def _doubt_gate(self, cells: Signal, around: tuple[int, int], most: int) -> float:
        """How much more is asked because a gate is closing in more than so many of some cells."""
        return GATED_DB if half_closed(cells[:3], *around, self.cell) > most else 0.0

    def _changed_response(self, cells: Signal, first: int) -> float:
        """By how much what is expected, or heard, changes in level where two segments meet, if they do; in dB."""
        seam = -(first // self.cell) % (CELLS * BLOCKS)
        return max(response_change_db(cells[:3], seam, self.cell), whitening_change_db(cells[0], cells[3], seam))

    def _look_at_shapes(self, looks: CellLooks, out: NDArray[np.intp], first: int) -> None:
        """Impulses, among cells that stand out, and equal samples: they are known by their shape alone."""
        found: list[tuple[int, int, FaultKind]] = []
        cell, inner = self.cell, CONTEXT
        certain: set[int] = set()
        if self._share <= LOST_SHARE and not self._drifting:
            certain.update(place for place in _brief(looks) if self._is_impulse(place + inner))
            found += [(place, place + 1, "tick") for place in sorted(certain)]
        if self._share <= ECHO_SHARE and not self._drifting:
            for place in _strongest(
                _beyond(looks, out, IMPULSE_ABOVE, IMPULSE_SHARE, IMPULSE_RAW), looks.neighbours, MOST_SHAPES
            ):
                if place not in certain and self._is_like_impulses(place + inner, looks.share[place]):
                    found.append((place, place + 1, "tick"))
        if self._waves.has_row():
            runs = _equal(self._cells, self._waves.power(), cell)
            found += [(low - inner, high - inner, "gap") for low, high in runs]
        for low, high, kind in found:
            if not 0 <= low < len(looks.rest):
                continue
            abrupt = kind == "tick" or looks.onset(max(0, low - 2), low + 3) >= GAP_ONSET
            if not abrupt and not self._breaks_off(low + inner):
                continue
            sure = kind == "tick" and low in certain
            known, most = (self._impulses, MOST_EVENTS) if sure else (self._like_shapes, MOST_SURE)
            if len(known) <= most:
                level = looks.level(low, max(high, low + 1))
                known.append(self._event(looks, low, first, (low, high), kind, level=level))
                if known is self._like_shapes:
                    self._look_for_rise(known[-1], low)

    def _look_for_edges(self, looks: CellLooks, scores: Signal, out: NDArray[np.intp], first: int) -> None:
        """What may be a gap or a repeat, among cells that stand out, to be looked at as it is."""
        if self._drifting or self._share > LOST_SHARE:
            return
        places = _beyond(looks, out, UNCLEAR_ABOVE, UNCLEAR_SHARE, UNCLEAR_RAW)
        places = places[looks.rest[places] > CLEARLY_LEFT * self.cell]
        # What stands out most of its neighbours need not be the largest share of what was expected.
        half = MOST_UNCLEAR // 2
        strongest = {*_strongest(places, scores, half), *_strongest(places, looks.neighbours, half)}
        spans = [(place, place + 1) for place in sorted(strongest)]
        if looks.quiet.any():
            places = np.flatnonzero(looks.quiet)
            groups = np.split(places, np.flatnonzero(np.diff(places) > 3) + 1)
            groups.sort(key=lambda group: -float(looks.rest[group].max()))
            spans += [(int(group[0]), int(group[-1]) + 1) for group in groups if len(group) <= LONGEST][:MOST_UNCLEAR]
        for low, high in spans:
            self._unclear.append(self._event(looks, low, first, (low, high), "gap", level=looks.level(low, high)))

    def _look_for_rise(self, event: Suspicion, place: int) -> None:
        """Remember an event around a cell if it gets louder there and stays so."""
        raw = self._cells[3, place : place + 2 * CONTEXT + 1]
        half = (event.end - event.start) // self.cell // 2
        if lasting_rise_db(raw, CONTEXT - half, CONTEXT + half + 1) > OPENS and len(self._opening) < MOST_OPENING:
            self._opening.append(event)

    def _breaks_off(self, place: int) -> bool:
        """Whether right before a cell the stem is still heard, and no gate has closed."""
        heard, _, expected = self._cells[:3, place - 2 : place].sum(axis=1)
        return bool(expected > STILL_EXPECTED * 2 * self.cell and heard > STILL_HEARD * expected)

    def _is_impulse(self, place: int) -> bool:
        """Whether what stands out at a cell is one impulse, and the only one around."""
        cells = slice(place - AROUND, place + AROUND + 1)
        back, wanted = self._waves.piece(cells.start * self.cell, cells.stop * self.cell)
        impulse = self._impulse(place)
        part, at = explained(back, wanted, impulse, self.cell // 2 + KERNEL)
        there = wanted[at - KERNEL : at + KERNEL + 1]
        alike = float(there @ impulse) ** 2 / max(float(there @ there) * float(impulse @ impulse), 1e-30)
        if part < LEAST_PART or alike > IMPULSE_EXPECTED:
            return False
        least = IMPULSE_OUT + OUT_FOR_PART * max(0.0, IMPULSE_PART - part)
        if self._share > ECHO_SHARE:
            least += OUT_OF_ECHO
        return alone_db(back, wanted, self._cells[1:3, cells], impulse, at, self.cell) > least

    def _is_like_impulses(self, place: int, share: float) -> bool:
        """Whether what is left around a cell is an impulse, or some side by side."""
        cell, half = self.cell, KERNEL
        around = [slice(place - 20, place - 2), slice(place + 3, place + 21)]
        both, expected = (sum(float(self._cells[row, part].sum()) for part in around) for row in (1, 2))
        levels = [float(self._cells[2, part].sum()) for part in around]
        if share < MOST_SHARE and max(levels) > STEADY_LEVEL * min(levels):
            return False
        low, high = place * cell - cell // 2 - half, (place + 1) * cell + cell // 2 + half
        one = self._impulse(place)
        sides = np.stack((np.append(one[1:], 0.0), one, np.append(0.0, one[:-1])), axis=1)
        impulses = np.asarray(np.linalg.qr(sides)[0], dtype=np.float32)
        back, wanted = self._waves.piece(low, high)
        rest = back - np.float32(both / max(expected, 1e-9)) * wanted
        windows = np.lib.stride_tricks.sliding_window_view(rest, 2 * half + 1)
        # The strongest place counts: beside it, a part of an impulse looks like others.
        impulse = ((windows @ impulses) ** 2).sum(axis=1)
        best = int(np.argmax(impulse))
        near, all_around = (max(float(each @ each), 1e-30) for each in (windows[best], rest))
        if impulse[best] < IMPULSE_ALIKE * near or impulse[best] < IMPULSE_ALONE * all_around:
            return False
        there = wanted[best : best + 2 * half + 1]
        alike = float(((there @ impulses) ** 2).sum()) / max(float(there @ there), 1e-30)
        return alike < EXPECTED_ALIKE

    def _impulse(self, place: int) -> Real:
        """What an impulse of 1 is at a cell when it is whitened."""
        return impulse_response(self._whitening_at(self._first + place * self.cell))

    def _whitening_at(self, frame: int) -> Real:
        """What the block of a frame was multiplied by."""
        # The last cells held, apart from what `finish` puts behind, are those of the last block.
        before = (self._ends - frame) // self.cell
        segment, block = divmod(max(0, (before - 1) // CELLS), BLOCKS)
        whitening: Real = self._whitening[-1 - min(segment, len(self._whitening) - 1)][-1 - block]
        return whitening

    def _past(self) -> float:
        """What of the sound heard before may come again as an echo, in dB; minus infinity for a unit without."""
        if self._share <= ECHO_SHARE:
            return -math.inf
        return 10.0 * math.log10(self._share) + ECHO_MARGIN

    def _remember(self, hot: NDArray[np.intp], looks: CellLooks, first: int) -> None:
        groups = np.split(hot, np.flatnonzero(np.diff(hot) > 3) + 1)
        for index, group in enumerate(groups):
            best = int(group[np.argmax(np.maximum(looks.neighbours[group] - ABOVE_NEIGHBOURS, looks.repeat[group]))])
            start, end = int(group[0]), int(group[-1]) + 1
            kind: FaultKind = "tick"
            # What is whitened spreads a little: a group is a tick if two cells have nearly all of it.
            energy = np.sort(looks.rest[start:end])
            brief = bool(energy[-2:].sum() > 0.8 * energy.sum())
            if index + 1 < len(groups) and groups[index + 1][0] - start <= JOINED_CELLS:
                until = int(groups[index + 1][0])
                kind = _between(
                    self._cells[:4, CONTEXT + end : CONTEXT + until],
                    self._cells[:4, CONTEXT + start - 12 : CONTEXT + start],
                )
                end = int(groups[index + 1][-1]) + 1 if kind != "tick" else end
            if kind == "tick" and end - start > 3 and not brief:
                kind = _between(
                    self._cells[:4, CONTEXT + start + 1 : CONTEXT + end - 1],
                    self._cells[:4, CONTEXT + start - 12 : CONTEXT + start],
                )
            place = best if kind == "tick" else start
            # Most are too faint anyhow.
            counts = min(looks.neighbours[best] - ABOVE_NEIGHBOURS, looks.raw[best] - ABOVE_RAW) >= LEAST_SCORE
            doubt = self._doubt_cell(looks, best) if counts else 0.0
            repeat = float(looks.repeat[group].max())
            if repeat > 0.0:
                cells = self._cells[:, best : best + 2 * CONTEXT + 1]
                fall = fall_db(cells[0], CONTEXT - 4, CONTEXT + 4)
                repeat -= self._doubt_step(cells) + _asked(fall, FALLS)
            event = self._event(looks, best, first, (place, max(end, place + 1)), kind, repeat=repeat, doubt=doubt)
            self._found.append(event)
            if counts or repeat > 0.0:
                self._look_for_rise(event, best)
        if len(self._found) > 2 * MOST_EVENTS:
            self._found.sort(key=lambda event: -event.strength)
            del self._found[MOST_EVENTS:]


def _between(inside: Signal, before: Signal) -> FaultKind:
    """What is between two edges: nothing, something else than expected, or no fault at all."""
    rr, rp, pp, raw = inside.mean(axis=1)
    usual = before.mean(axis=1)
    gain = usual[1] / max(usual[2], 1e-30)
    if raw < 0.01 * usual[3] or (pp > 0.0 and rr < 0.1 * gain**2 * pp):
        return "gap"
    if pp <= 0.0:
        return "tick"
    return "repeat" if rp <= 0.0 or rr - rp**2 / pp > 0.5 * rr else "tick"


def _brief(looks: CellLooks) -> list[int]:
    """Cells that may be an impulse. Among others that no stem explains, it must be much of what is expected."""
    # What stands out of both sides stands out of what was before: the others need not be looked at.
    places = np.flatnonzero(looks.rest > 10.0 ** (ABOVE_NEIGHBOURS / 10.0) * looks.before)
    above = looks.neighbours[places]
    fits = (above > ABOVE_NEIGHBOURS) | ((above > ABOVE_NEIGHBOURS - LOST_DB) & (looks.share[places] > MOST_SHARE))
    raw = looks.raw[places]
    fits &= (raw > ABOVE_RAW - IMPULSE_RAW_MARGIN) | ((raw > IMPULSE_RAW) & (above > FAR_ABOVE))
    return _strongest(places[fits], looks.neighbours, MOST_SHAPES)


def _beyond(looks: CellLooks, places: NDArray[np.intp], above: float, share: float, raw: float) -> NDArray[np.intp]:
    """Those of some cells that are over all three."""
    return places[(looks.neighbours[places] > above) & (looks.share[places] > share) & (looks.raw[places] > raw)]


def _strongest(places: NDArray[np.intp], strength: Signal, most: int) -> list[int]:
    """Of cells in order, the strongest of each group of neighbours; of all groups, at most so many."""
    if not len(places):
        return []
    groups = np.split(places, np.flatnonzero(np.diff(places) > 2) + 1)
    best = [int(group[np.argmax(strength[group])]) for group in groups]
    order = np.argsort([-strength[place] for place in best], kind="stable")[:most]
    return sorted(best[index] for index in order)


def _equal(cells: Signal, power: Real, cell: int) -> list[tuple[int, int]]:
    """First and last cells of runs of samples that are all alike, though neither the noise nor the stem is."""
    same = power[1:] == power[:-1]
    inner = slice(CONTEXT * cell, len(power) - CONTEXT * cell)
    count = int(np.count_nonzero(same[inner]))
    if count < EQUAL - 1 or count > 2 * MOST_EQUAL:
        return []
    edges = np.flatnonzero(np.diff(np.concatenate(([False], same, [False])).astype(np.int8)))
    starts, ends = edges[::2], edges[1::2]
    lengths = ends - starts
    long = lengths >= EQUAL - 1
    usual = max(int(lengths[~long].sum()), 1) / len(same)
    loudest = float(power.max())
    found = []
    for low, high in zip(starts[long].tolist(), ends[long].tolist(), strict=True):
        if not inner.start <= low < inner.stop or high - low > MOST_EQUAL or low < 32 or high + 32 > len(power):
            continue
        if usual ** (high - low) * len(same) > EQUAL_CHANCE or power[low] > 0.9 * loudest:
            continue
        sides = power[low - 16 : low], power[high + 1 : high + 17]
        if any(float(side.mean()) < 1e-13 or bool((side[1:] == side[:-1]).any()) for side in sides):
            continue
        first, last = low // cell, high // cell + 1
        rr, rp, pp = (float(row[first:last].sum()) for row in cells[:3])
        # What the stem itself does is expected.
        if rr - 2.0 * rp + pp > max(0.03 * pp, 2.0 * cell) and pp > 2.0 * (high - low):
            found.append((first, last))
    return found if len(found) <= 3 else []


def _asked(value: float, rule: tuple[float, float, float]) -> float:
    """How much more is asked: from where on, dB for each dB, at most."""
    start, slope, most = rule
    return min(max(0.0, slope * (value - start)), most)


def _overlap(one: Suspicion, other: Suspicion) -> bool:
    return one.start < other.end and other.start < one.end


def _places(events: list[Suspicion], apart: int) -> int:
    """How many places some events are at; those that follow each other by fewer frames are at one."""
    count, until = 0, -math.inf
    for event in sorted(events, key=lambda event: event.start):
        count += event.start > until
        until = max(until, event.end + apart)
    return count
