"""What becomes of a session in which something is not as it was said: right, said, or wrong
without a word.

A part of accuracy_study.py (`--mistakes`). Sessions of several worlds are made and measured as they
are; then one mistake is planted into a copy, which is measured too. Every takeover that the mistake
touches counts once:

- right: every figure lies within three standard errors of the truth;
- said: the row carries a remark that it does not carry without the mistake and that is more than
  why a cell is empty (or a fault, where the sheet's mark was changed), or the session a remark that
  names the culprit; or there is no row, and the session says why;
- as without: a figure lies beyond three standard errors, but as it does without the mistake;
- wrong without a word: none of these.
"""

from __future__ import annotations

import multiprocessing
import re
import shutil
import tempfile
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import checkout  # noqa: F401 - finds sample_tracks
import mishaps
import numpy as np
import row_errors
import simulate
import worlds
from mishaps import Planted
from truths import Truth

from pipeline.session.process import make_session_tables

BEGIN, END = "<!-- mistakes: begin -->", "<!-- mistakes: end -->"
ENTRY_OFF_S = 0.08  # an entry moment has no standard error of its own
WITHOUT_SPEED_OFF_S = 0.16
FAR_S = 10.0  # the same pair within this time is the same takeover, its clock wrong
ACCUSES = re.compile(
    r"the sheet says|the traces say|clock|s late|s early|doubt|corrected|in lane|the tape|instead"
    r"|may be off|do not agree|the sheet is wrong|the sheet saw|unit is"
)
EXPLAINS_NULLS = re.compile(
    r"^no pass: nothing|was not seen to cross|steps not counted|could not be inferred from"
)
BLAMES_TRACES = re.compile(r"broken off, or a recording is missing")
Row = dict[str, Any]


@dataclass(frozen=True)
class Kind:
    """A kind of mistake. `options` change the making of the session, `plant` its files; a remark of
    the session counts where it holds one of the words (regular expressions in which {runner},
    {other}, {reps} and {lines} stand for those concerned)."""

    name: str
    words: tuple[str, ...]
    plant: str | None = None  # one of mishaps.KINDS
    options: Mapping[str, Any] = field(default_factory=dict)
    on_the_mark: bool = False  # a wrong mark shows as an early or late start
    entry_off_s: float = ENTRY_OFF_S
    first_runner: bool = False  # the options concern the first runner's unit only


@dataclass(frozen=True)
class Family:
    """Kinds that are planted into the same sessions: options of the sessions, and their worlds."""

    options: Mapping[str, Any]
    worlds: tuple[int, ...]
    kinds: tuple[Kind, ...]
    two_squads: bool = False


@dataclass(frozen=True)
class Measured:
    """What a session gave, or that it did not (`crash`)."""

    rows: tuple[Row, ...] = ()
    remarks: tuple[str, ...] = ()
    crash: str = ""


@dataclass(frozen=True)
class Off:
    """One figure of a takeover that is wrong: error over standard error, or NaN."""

    figure: str
    error: float
    z: float

    @property
    def words(self) -> str:
        size = "" if np.isnan(self.error) else f" {self.error:+.2f}"
        return self.figure + size + ("" if np.isnan(self.z) else f" ({abs(self.z):.1f} sd)")


@dataclass(frozen=True)
class Verdict:
    """One touched takeover: right, said, as without, or wrong without a word; and what is off."""

    kind: str
    world: int
    takeover: str
    said: str
    off: tuple[Off, ...] = ()


@dataclass(frozen=True)
class FamilyResult:
    """All verdicts on one session of a family, and what is said where nothing is wrong: how many
    remarks accuse, and all of them as texts without their numbers."""

    verdicts: tuple[Verdict, ...]
    crashes: tuple[tuple[str, str], ...]  # kind, what
    sound_takeovers: int
    sound_accused: int
    sound_remarks: Mapping[str, int]


RIGHT, SAID, AS_WITHOUT, WORDLESS = "right", "said", "as without", "wrong without a word"

# --- the kinds -------------------------------------------------------------------------------

_UNIT = (r"\b{runner}\b", r"\b{other}\b")
_REP = (r"\brep (?:{reps})\b", r"\bsheet line (?:{lines})\b")


def _of_files(names: Iterable[str], *words: str, **other: Any) -> tuple[Kind, ...]:
    return tuple(Kind(name, words, plant=name, **other) for name in names)


_CLOCKS = (
    "clock 0.1 s", "clock 0.3 s", "clock 1 s", "clock 2 s", "clock 3 s", "clock an hour",
    "two clocks off", "stamps cut to seconds",
)  # fmt: skip


def _of_clocks(whose: str) -> tuple[Kind, ...]:
    return tuple(replace(kind, name=f"{kind.name}, {whose}") for kind in _of_files(_CLOCKS, *_UNIT))


_STANDS = tuple(f"{who} stand {m} m" for who in ("receiver's", "incoming") for m in (1, 3, 5))
_SHEET = (
    *_of_files(_STANDS, *_REP),
    *_of_files(("mark 3 m", "mark's digit lost"), *_REP, on_the_mark=True),
    *_of_files(("every stand off",), r"\bstands?\b", r"\btapes?\b"),
    *_of_files(("wrong zone",), r"\bzone\b"),
    *_of_files(("wrong lane", "lane unknown"), r"\blane\b"),
    *_of_files(("wrong receiver", "pair turned round"), *_REP),
    *_of_files(("sheet two hours ahead",), r"\bhours?\b", r"\bahead\b", r"\btime zone\b"),
    *_of_files(("rows in another order",), r"\border\b"),
    *_of_files(("seen pass off",), *_REP),
    *_of_files(("recording gone", "units swapped"), *_UNIT),
)
_RUNNING = (
    Kind("restless feet", (), options={"restless": 1.0}),
    Kind("false start", (), options={"false_starts": 1.0}),
    Kind("restless feet, no accelerometer", (), options={"restless": 1.0, "imu": False}),
    Kind("false start, no accelerometer", (), options={"false_starts": 1.0, "imu": False}),
)
_NO_SPEED = (
    Kind(
        "one unit without speeds",
        (r"\bspeeds?\b",),
        options={"formats": ("gpx-plain", "csv", "csv", "csv")},
        entry_off_s=WITHOUT_SPEED_OFF_S,
        first_runner=True,
    ),
    Kind(
        "no unit has speeds",
        (r"\bspeeds?\b",),
        options={"formats": ("gpx-plain",)},
        entry_off_s=WITHOUT_SPEED_OFF_S,
    ),
)
_BRIEF = {"n_reps": 5, "n_runners": 4, "imu": False, "spacing_s": 18.0, "distractors": False}
_BRIEF |= {"fault_share": 0.0, "curves": False}
FAMILIES = {
    "sheet": Family(_BRIEF, (1, 4, 9, 14), _SHEET),
    "clocks of four": Family(_BRIEF | {"n_reps": 8}, (2, 11, 17), _of_clocks("four runners")),
    "clocks of eight": Family(
        _BRIEF | {"n_reps": 8, "n_runners": 8}, (5, 12, 22), _of_clocks("eight runners")
    ),
    "running": Family(_BRIEF | {"imu": True}, (3, 8, 15), _RUNNING),
    "speeds": Family(_BRIEF, (6, 13, 21), _NO_SPEED),
    "two squads": Family(
        _BRIEF, (7, 16, 23), (Kind("two squads at once", (r"\blanes?\b",)),), two_squads=True
    ),
}  # fmt: skip

# --- making and measuring ---------------------------------------------------------------------


def measure_session(path: Path) -> Measured:
    """The takeovers of a session and all that was said of it; a crash is a result too."""
    try:
        found = make_session_tables(path, None)
    except Exception as error:
        return Measured(crash=f"{type(error).__name__}: {error}")
    rows = tuple(found.tables["exchanges"].to_pylist())
    return Measured(rows, (*found.remarks, *found.left_out))


def _make(folder: Path, seed: int, options: Mapping[str, Any]) -> Truth:
    place = "bend" if seed % 2 else "straight"
    given = {"place": place, "world": worlds.draw_world(seed), **options}
    return simulate.make_session(folder, 9000 + seed, **given)


def study_family(work: tuple[str, int, str]) -> FamilyResult:
    """One session of a family, sound and with every kind of mistake whose name holds `only`."""
    name, seed, only = work
    family = FAMILIES[name]
    with tempfile.TemporaryDirectory() as folder:
        study = _study_two_squads if family.two_squads else _study_one_squad
        return study(Path(folder), family, seed, only)


def _study_one_squad(folder: Path, family: Family, seed: int, only: str) -> FamilyResult:
    truth = _make(folder / "sound", seed, family.options)
    sound = measure_session(truth.folder / "session.toml")
    verdicts, crashes = [], []
    for number, kind in enumerate(k for k in family.kinds if only in k.name):
        place = folder / str(number)
        if kind.plant is None:
            made = _make(place, seed, {**family.options, **kind.options})
            planted = _planted_by_options(kind, made)
        else:
            shutil.copytree(truth.folder, place)
            made = replace(truth, folder=place)
            planted = mishaps.plant(made, kind.plant, seed)
        measured = measure_session(place / "session.toml")
        if measured.crash:
            crashes.append((kind.name, measured.crash))
        touched = [x for x in made.exchanges if x["rep"] in planted.reps]
        verdicts += [judge(kind, planted, seed, x, measured, sound) for x in touched]
        shutil.rmtree(place)
    return FamilyResult(tuple(verdicts), tuple(crashes), *_sound_words([sound]))


def _planted_by_options(kind: Kind, truth: Truth) -> Planted:
    """What the options of a kind touch: every takeover, or those of the first runner."""
    runner = truth.runners[0]["id"] if kind.first_runner else None
    reps = (x["rep"] for x in truth.exchanges if runner in (None, x["incoming"], x["outgoing"]))
    return Planted(kind.name, runner, tuple(reps), 0.0)


def _study_two_squads(folder: Path, family: Family, seed: int, _only: str) -> FamilyResult:
    """Two squads on neighbouring lanes at once; each alone is the session without the mistake."""
    (kind,) = family.kinds
    ground = {"squad_seed": seed, "start_utc_s": 1_778_606_400.0, "place": "straight"}
    names = ("robin", "wren", "finch", "jay"), ("lark", "teal", "adder", "lynx")
    squads = [
        # with the same seed they go at about the same moments, under the same sky
        _make(
            folder / str(k),
            seed,
            {
                **family.options,
                **{"lane": 1 + k, "names": names[k], "world": worlds.draw_world(seed + k)},
                **ground,
            },
        )
        for k in range(2)
    ]
    alone = [measure_session(truth.folder / "session.toml") for truth in squads]
    joined = measure_session(mishaps.join(squads[0], squads[1], folder / "joined"))
    verdicts = [
        judge(kind, Planted(kind.name, None, (), 0.0), seed, x, joined, own)
        for truth, own in zip(squads, alone, strict=True)
        for x in truth.exchanges
    ]
    crashes = [(kind.name, joined.crash)] if joined.crash else []
    return FamilyResult(tuple(verdicts), tuple(crashes), *_sound_words(alone))


def _sound_words(sound: Iterable[Measured]) -> tuple[int, int, Mapping[str, int]]:
    """Takeovers of sessions without a mistake, how many remarks accuse, and all that is said."""
    rows = [row for one in sound for row in one.rows]
    said = Counter(_without_numbers(text) for row in rows for text in row["remarks"])
    said.update(_without_numbers(text) for one in sound for text in one.remarks)
    accused = sum(times for text, times in said.items() if ACCUSES.search(text))
    return len(rows), accused, said


# --- judging ----------------------------------------------------------------------------------


def judge(
    kind: Kind, planted: Planted, world: int, true: Row, measured: Measured, sound: Measured
) -> Verdict:  # fmt: skip
    """What became of one takeover that was touched."""
    takeover = f"rep {true['rep']}, {true['incoming']} to {true['outgoing']}"
    row, plain_row = find_row(measured.rows, true), find_row(sound.rows, true)
    words = new_words(kind, planted, true, measured, sound)
    if row is None:
        absent = plain_row is None and not measured.crash
        said = SAID if words else RIGHT if absent else WORDLESS
        off = (
            ()
            if said == RIGHT
            else (Off("crashed" if measured.crash else "no row", *2 * [np.nan]),)
        )
        return Verdict(kind.name, world, takeover, said, off)
    off = figures_off(row, true, kind.entry_off_s)
    if not off:
        return Verdict(kind.name, world, takeover, RIGHT)
    before = () if plain_row is None else plain_row["remarks"]
    known = {_without_numbers(text) for text in before}
    doubts = [text for text in row["remarks"] if not EXPLAINS_NULLS.search(text)]
    if words or any(_without_numbers(text) not in known for text in doubts):
        return Verdict(kind.name, world, takeover, SAID, off)
    faults = set(row["faults"]) - set(() if plain_row is None else plain_row["faults"])
    if kind.on_the_mark and faults & {"early start", "late start"}:
        return Verdict(kind.name, world, takeover, SAID, off)
    if plain_row is not None:
        same = {one.figure: one for one in figures_off(plain_row, true, kind.entry_off_s)}
        if all(_is_alike(one, same.get(one.figure)) for one in off):
            return Verdict(kind.name, world, takeover, AS_WITHOUT, off)
    return Verdict(kind.name, world, takeover, WORDLESS, off)


def find_row(rows: Iterable[Row], true: Row) -> Row | None:
    """The row of a takeover: the nearest in time of its incoming runner, or of the same pair a few
    seconds off, or of the pair and rep at any time."""
    rows = [row for row in rows if row["incoming"] == true["incoming"]]
    pair = [row for row in rows if row["outgoing"] == true["outgoing"]]
    if true["entry_utc_s"] is None:
        return None

    def off_s(row: Row) -> float:
        return abs(row["zero_utc"].timestamp() - true["entry_utc_s"])

    for some, within_s in ((rows, row_errors.NEAR_S), (pair, FAR_S)):
        near = [row for row in some if off_s(row) < within_s]
        if near:
            return min(near, key=off_s)
    return next((row for row in pair if row["rep"] == true["rep"]), None)


def figures_off(row: Row, true: Row, entry_off_s: float) -> tuple[Off, ...]:
    """The figures of a row that are wrong, the worst first."""
    errors: dict[str, list] = defaultdict(list)
    counts: dict[str, float] = defaultdict(float)
    row_errors.compare(row, true, errors, counts)
    off = []
    for name, ((error, sd),) in errors.items():
        if name == "entry moment":
            if abs(error) > entry_off_s:
                off.append(Off(name, error, np.nan))
        elif abs(error) > 3 * sd:
            off.append(Off(name, error, error / sd if sd > 0 else np.inf))
    if counts["outcomes wrong"]:
        off.append(Off(f"outcome {row['outcome']}", np.nan, np.nan))
    off += [
        Off(f"{name} {row[name]}", np.nan, np.nan)
        for name in ("outgoing", "zone", "lane")
        if row[name] is not None and row[name] != true[name]
    ]
    return tuple(sorted(off, key=lambda one: -np.nan_to_num(abs(one.z), nan=1e9)))


def _is_alike(one: Off, same: Off | None) -> bool:
    """Whether a figure is as far off without the mistake, within one standard error."""
    if same is None:
        return False
    if np.isnan(one.error):
        return True
    sd = ENTRY_OFF_S if np.isnan(one.z) else abs(one.error / one.z)
    return abs(one.error - same.error) < sd


def new_words(
    kind: Kind, planted: Planted, true: Row, measured: Measured, sound: Measured
) -> list[str]:  # fmt: skip
    """What is said of the session that is not said without the mistake and names the culprit."""
    known = {_without_numbers(text) for text in sound.remarks}
    rep = int(true["rep"])
    names = {
        "runner": planted.runner or "(?!)",
        "other": planted.other or "(?!)",
        "reps": str(rep),
        "lines": str(rep + 1),
    }
    patterns = [re.compile(word.format(**names), re.IGNORECASE) for word in kind.words]
    out = []
    for text in measured.remarks:
        if _without_numbers(text) in known:
            continue
        if BLAMES_TRACES.search(text) and not kind.name.startswith("recording gone"):
            continue
        if any(pattern.search(text) for pattern in patterns):
            out.append(text)
    return out


def _without_numbers(text: str) -> str:
    return re.sub(r"\d+(?:\.\d+)?", "#", text)


# --- the study --------------------------------------------------------------------------------


def study_mistakes(only: str, workers: int) -> list[FamilyResult]:
    """All families whose kinds have names that hold `only`, each over its worlds; the first world
    of each comes first."""
    work = [
        (k, name, seed)
        for name, family in FAMILIES.items()
        if any(only in kind.name for kind in family.kinds)
        for k, seed in enumerate(family.worlds)
    ]
    work.sort(key=lambda one: one[0])
    out = []
    with multiprocessing.get_context("spawn").Pool(workers) as pool:
        found = pool.imap(study_family, [(name, seed, only) for _, name, seed in work])
        for (_, name, seed), result in zip(work, found, strict=True):
            _print_family(name, seed, result)
            out.append(result)
    return out


def _print_family(name: str, seed: int, result: FamilyResult) -> None:
    """How one session of a family did, and each takeover that is wrong without a word."""
    said = Counter(verdict.said for verdict in result.verdicts)
    counted = ", ".join(f"{said[what]} {what}" for what in (RIGHT, SAID, AS_WITHOUT, WORDLESS))
    print(f"{name}, world {seed}: {counted}", flush=True)
    for verdict in result.verdicts:
        if verdict.said == WORDLESS:
            off = ", ".join(one.words for one in verdict.off[:4])
            print(f"  {verdict.kind}, {verdict.takeover}: {off}", flush=True)
    for kind, what in result.crashes:
        print(f"  CRASHED {kind}: {what[:200]}", flush=True)


@dataclass(frozen=True)
class KindCount:
    """One kind of mistake: takeovers by what became of them, the worst figure without a word."""

    kind: str
    sessions: int
    counts: Mapping[str, int]
    worst: str
    crashes: int

    @property
    def touched(self) -> int:
        return sum(self.counts.values())


def count_kinds(results: Iterable[FamilyResult]) -> list[KindCount]:
    """The verdicts by kind, in the order of FAMILIES."""
    results = list(results)
    verdicts = [verdict for result in results for verdict in result.verdicts]
    crashes = Counter(kind for result in results for kind, _ in result.crashes)
    out = []
    for kind in (kind for family in FAMILIES.values() for kind in family.kinds):
        own = [verdict for verdict in verdicts if verdict.kind == kind.name]
        if not own:
            continue
        bad = [verdict.off[0] for verdict in own if verdict.said == WORDLESS]
        worst = max(bad, key=lambda one: np.nan_to_num(abs(one.z), nan=1e9), default=None)
        out.append(
            KindCount(
                kind.name,
                len({verdict.world for verdict in own}),
                Counter(verdict.said for verdict in own),
                "" if worst is None else worst.words,
                crashes[kind.name],
            )
        )
    return out


def print_mistakes(results: list[FamilyResult]) -> None:
    """The table, and what is said of sessions without a mistake."""
    print(mistakes_markdown(results))
    print("\nsaid of sessions without a mistake:")
    said: Counter[str] = Counter()
    for result in results:
        said.update(result.sound_remarks)
    for text, times in said.most_common():
        print(f"  {times:4d} {'accuses: ' if ACCUSES.search(text) else ''}{text}")


def mistakes_markdown(results: list[FamilyResult]) -> str:
    """The table of docs/accuracy.md: a row a kind, and all of them."""
    kinds = count_kinds(results)
    lines = [
        "| mistake | sessions | takeovers touched | right | said | as without it | "
        "wrong without a word | the worst of these | crashed |",
        "|---|---:|---:|---:|---:|---:|---:|---|---:|",
    ]
    total: Counter[str] = Counter()
    for one in kinds:
        total.update(one.counts)
        lines.append(_kind_row(one.kind, one.sessions, one.counts, one.worst, one.crashes))
    crashes = sum(one.crashes for one in kinds)
    sessions = sum(one.sessions for one in kinds)
    lines.append(_kind_row(f"all {len(kinds)} kinds", sessions, total, "", crashes))
    sound = sum(result.sound_takeovers for result in results)
    accused = sum(result.sound_accused for result in results)
    lines += [
        "",
        f"The same sessions without a mistake: {sound} takeovers, {accused} remarks on them "
        "or their sessions that doubt a clock, a tape, a lane or the sheet.",
    ]
    return "\n".join(lines)


def _kind_row(
    name: str, sessions: int, counts: Mapping[str, int], worst: str, crashes: int
) -> str:  # fmt: skip
    cells = [str(counts.get(what, 0)) for what in (RIGHT, SAID, AS_WITHOUT, WORDLESS)]
    touched = sum(counts.values())
    return f"| {name} | {sessions} | {touched} | " + " | ".join(cells) + f" | {worst} | {crashes} |"
