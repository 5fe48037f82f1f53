"""From a lake of tables to pages and pictures: the one place where reading and showing meet.

Each function reads OUT and nothing else, and writes one file, whole or not at all: into OUT/report
unless told otherwise. The same tables give the same bytes.
"""

from __future__ import annotations

import difflib
import hashlib
import importlib.metadata
import re
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import pyarrow as pa

from pipeline.base.words import count
from pipeline.errors import InputError, UsageError
from pipeline.show import scenes
from pipeline.show.card import trackside
from pipeline.show.figures import overlays, trends
from pipeline.show.figures.drawing import Figure
from pipeline.show.markup import plain
from pipeline.show.page import layout
from pipeline.show.page.layout import Pairing
from pipeline.show.page.pairs import Known
from pipeline.show.scenes import Row, Takeover
from pipeline.tables import folders, lake, provenance, whole_files
from pipeline.tables.lake import Lake

FOLDER = "report"
PAGES = (".html", ".htm")
PICTURES = (".svg", ".png")
Pair = tuple[str, str]
FigureName = Literal["overlay", "history", "risk"]
_LISTED = 8


@dataclass(frozen=True)
class Written:
    """A file that was written, on how many takeovers it rests, what to know of the lake."""

    path: Path
    takeovers: int
    remarks: tuple[str, ...]


def report(
    out: Path,
    *,
    session: str | None = None,
    pair: Pair | None = None,
    event: str | None = None,
    to: Path | None = None,
) -> Written:
    """The page of a session, or of a pair over all sessions or in the one named.

    Without either the newest session's; `event` narrows a pair's page to one relay. Raises
    UsageError where there is no such session, pair or event, or `to` is no name of a page,
    InputError where a table cannot be read, OutputError where the page cannot be written.
    """
    if to is not None and to.suffix.lower() not in PAGES:
        raise UsageError(f"--to {to}", "not a name for a page", "a name that ends in .html")
    if pair is None:
        _ask_no_event(event, "a session")
        session, remarks = _session(out, session)
        found = lake.read_lake(out, session)
        several = scenes.takeovers(found.exchanges, found.curves)
        known, broken = _known(out, several)
        rows, no_rows = _recordings(out, session)
        name, remarks = f"session-{_safe(session)}", (*remarks, *broken, *no_rows)
        text = layout.session(
            session, several, known=known, recordings=rows, about=_about(found, session),
            remarks=(*broken, *no_rows),
        )  # fmt: skip
    else:
        found = lake.read_lake(out, session)
        several = _of_the_pair(found, pair, session, event)
        known, broken = _known(out, several)
        name, remarks = _pair_name(pair, session, event), (*found.remarks, *broken)
        text = layout.pair(several, known=known, about=_about(found), remarks=remarks)
    path = out / FOLDER / f"{name}.html" if to is None else to
    whole_files.write_text(path, text)
    return Written(path, len(several), remarks)


def overlay(
    out: Path,
    *,
    session: str | None = None,
    exchange: int | None = None,
    pair: Pair | None = None,
    event: str | None = None,
    view: overlays.View | None = None,
    figure: FigureName = "overlay",
    dark: bool = False,
    to: Path | None = None,
) -> Written:
    """One figure as SVG or PNG, by the ending of `to`: a takeover's overlay (`exchange`), or a
    pair's takeovers laid over each other, its history, its mark's risk (`pair`).

    `view` is an overlay's axis, "zone" where none is given. A risk is of all sessions. Raises as
    `report` does.
    """
    from pipeline.show.figures import slides

    _ask(session, exchange, pair, view, figure)
    if to is not None and to.suffix.lower() not in PICTURES:
        raise UsageError(f"--to {to}", "not a name for a picture", "one in .svg or .png")
    axis = view or "zone"
    if pair is None:
        _ask_no_event(event, "a takeover")
        session, remarks = _session(out, session)
        found = lake.read_lake(out, session)
        one = _numbered(found, exchange, session)
        drawn, rests = overlays.takeover(one, axis), 1
        name = f"takeover-{_safe(session)}-{exchange}_{axis}"
    else:
        found = lake.read_lake(out, session)
        several = _of_the_pair(found, pair, session, event)
        drawn, rests, broken = _of_one_relay(out, several, figure, axis)
        remarks = (*found.remarks, *broken)
        shown = axis if figure == "overlay" else figure
        name = f"{_pair_name(pair, session, event)}_{shown}"
    name += "_dark" if dark else ""
    path = out / FOLDER / f"{name}.png" if to is None else to
    kind: Literal["svg", "png"] = "svg" if path.suffix.lower() == ".svg" else "png"
    whole_files.write_bytes(path, slides.draw(drawn, kind, dark=dark))
    return Written(path, rests, remarks)


# --- what was asked for ---------------------------------------------------------------------------


def card(
    path: Path,
    tables: Mapping[str, pa.Table],
    settings: Mapping[str, str],
    *,
    event: str,
    team: Sequence[str] | None,
    date: str,
    wished: float,
    short: Collection[Pair],
) -> None:
    """The trackside card from the tables `marks` and `runners`, as one HTML file; replaced whole or
    not at all. For the arguments see `trackside.card`."""
    text = trackside.card(
        tables["marks"], tables["runners"], event=event, team=team, settings=settings, date=date,
        wished=wished, short=short,
    )  # fmt: skip
    whole_files.write_text(path, text)


def _ask(
    session: str | None,
    exchange: int | None,
    pair: Pair | None,
    view: overlays.View | None,
    figure: FigureName,
) -> None:
    if figure != "overlay" and pair is None:
        raise UsageError(f"--figure {figure}", "no pair", "--pair INCOMING OUTGOING")
    if (exchange is None) == (pair is None):
        found = "neither" if pair is None else "both"
        raise UsageError(
            "overlay", f"{found} of --exchange and --pair", "one of them",
            "give --session ID --exchange N, or --pair INCOMING OUTGOING",
        )  # fmt: skip
    if figure != "overlay" and view is not None:
        raise UsageError(f"--axis {view}", f"--figure {figure} has its own axis", "no --axis")
    if figure == "risk" and session is not None:
        raise UsageError(
            f"--session {plain(session)}", "a mark's risk rests on all sessions", "no --session"
        )


def _ask_no_event(event: str | None, what: str) -> None:
    if event is not None:
        raise UsageError(
            f"--event {plain(event)}", f"{what} is of one relay anyway",
            "no --event, or --pair INCOMING OUTGOING with it",
        )  # fmt: skip


def _session(out: Path, session: str | None) -> tuple[str, tuple[str, ...]]:
    """The session named, else the newest, with a remark on those that could not be asked."""
    if session is not None:
        return session, ()
    in_order, remarks = lake.sessions_by_time(out)
    return in_order[-1], remarks


def _of_the_pair(
    found: Lake, pair: Pair, session: str | None, event: str | None
) -> tuple[Takeover, ...]:
    """One takeover or more."""
    rows = found.exchanges
    where = "" if session is None else f" in session {plain(session)}"
    ran = list(zip(rows["incoming"].to_pylist(), rows["outgoing"].to_pylist(), strict=True))
    if pair not in ran:
        other = "the other order is there" if pair[::-1] in ran else ""
        raise UsageError(
            f"pair {_words(pair)}", f"no takeover of this pair{where}",
            _listed(_words(pair), [_words(one) for one in ran]) or "a session with takeovers",
            "; ".join(filter(None, (other, *found.remarks))),
        )  # fmt: skip
    own = rows.filter(pa.array([one == pair for one in ran], pa.bool_()))
    if event is not None:
        events = own["event"].to_pylist()
        own = own.filter(pa.array([one == event for one in events], pa.bool_()))
        if not len(own):
            raise UsageError(
                f"--event {plain(event)}", f"no takeover of {_words(pair)} in it{where}",
                _listed(event, events),
            )  # fmt: skip
    return scenes.takeovers(own, found.curves, found.exchanges)


def _words(pair: Pair) -> str:
    return f"{plain(pair[0])} to {plain(pair[1])}"


def _listed(asked: str, there: Iterable[str]) -> str:
    """What could have been asked for, the nearest first; "" where there is nothing."""
    in_order = sorted(set(there))
    near = difflib.get_close_matches(asked, in_order, n=3)
    both = [*near, *(one for one in in_order if one not in near)]
    more = f" and {len(both) - _LISTED} more" if len(both) > _LISTED else ""
    return f"one of {', '.join(both[:_LISTED])}{more}" if both else ""


def _numbered(found: Lake, exchange: int | None, session: str) -> Takeover:
    rows = found.exchanges
    numbers = rows["exchange"].to_pylist()
    if exchange not in numbers:
        raise UsageError(
            f"--exchange {exchange}",
            f"is not in session {plain(session)}",
            f"{min(numbers)} to {max(numbers)}" if numbers else "a session with takeovers",
        )
    return scenes.takeovers(rows.slice(numbers.index(exchange), 1), found.curves, rows)[0]


def _of_one_relay(
    out: Path, several: Sequence[Takeover], figure: FigureName, view: overlays.View
) -> tuple[Figure, int, tuple[str, ...]]:
    """A pair's figure, on how many takeovers it rests, and remarks."""
    events = sorted({one.row["event"] for one in several})
    if len(events) > 1:
        found = f"takeovers of {', '.join(map(plain, events))}"
        raise UsageError("overlay", found, "those of one relay", "choose by --event")
    ordered, others = _of_one_length(scenes.order_by_time(several))
    if figure == "overlay":
        drawn = [one for one in ordered if not overlays.no_curves(one)]
        if not drawn:
            raise InputError("speed_curves", "no curve of this pair", "the curves of a takeover")
        return overlays.laid_over(drawn, view), len(drawn), others
    known, remarks = _known(out, several)
    (own,) = known.values()
    if figure == "history":
        return trends.history(ordered, own.progress), len(ordered), (*others, *remarks)
    risk = trends.risk(own.marks, own.progress)
    if risk is None:
        raise InputError(
            folders.decision_path(out, "marks"),
            " | ".join(remarks) or f"holds no marks of {_words(several[0].pair)}",
            "a curve of candidate marks",
            f"work them out: batontrace marks {out}",
        )
    return risk, next(row["reps"] for row in own.marks if row["advised"]), remarks


def _of_one_length(
    ordered: Sequence[Takeover],
) -> tuple[list[Takeover], tuple[str, ...]]:
    """Those in zones as long as the newest's, and a remark on others: they compare with none."""
    zone_m = ordered[-1].zone_m
    same = [one for one in ordered if one.zone_m == zone_m]
    rest = len(ordered) - len(same)
    return same, (f"left out: {count(rest, 'takeover')} in zones of another length",) * bool(rest)


# --- what else the tables say ---------------------------------------------------------------------


def _known(out: Path, several: Sequence[Takeover]) -> tuple[dict[Pairing, Known], tuple[str, ...]]:
    """What the tables of decisions say of the pairs; a broken table is a remark."""
    asked: dict[Pairing, None] = dict.fromkeys((*one.pair, one.row["event"]) for one in several)
    progress, no_progress = _rows(out, "progress", asked)
    marks, no_marks = _rows(out, "marks", asked)
    known = {
        key: Known(next(iter(progress.get(key, ())), None), tuple(marks.get(key, ())))
        for key in asked
    }
    return known, (*no_progress, *no_marks)


def _rows(
    out: Path, table_name: str, asked: Mapping[Pairing, None]
) -> tuple[dict[Pairing, list[Row]], tuple[str, ...]]:
    try:
        table = lake.read_decision(out, table_name)
    except InputError as err:
        return {}, (f"table {table_name} was left out: {err.message_from(out)}",)
    found: dict[Pairing, list[Row]] = {}
    for row in [] if table is None else table.to_pylist():
        key = (row["incoming"], row["outgoing"], row["event"])
        if key in asked:
            found.setdefault(key, []).append(row)
    return found, ()


def _recordings(out: Path, session: str) -> tuple[list[Row], tuple[str, ...]]:
    try:
        return lake.read_recordings(out, session).to_pylist(), ()
    except InputError as err:
        return [], (f"table recordings was left out: {err.message_from(out)}",)


def _about(found: Lake, session: str | None = None) -> dict[str, str]:
    """What the page rests on, without a time of now: the same tables give the same page."""
    beside = [folders.decision_path(found.path, name) for name in ("progress", "marks")]
    if session is not None:
        beside.append(folders.part_path(found.path, "recordings", session))
    digests = [
        *found.inputs.values(),
        *(provenance.file_sha256(path) for path in beside if path.is_file()),
    ]
    digest = hashlib.sha256("\n".join(sorted(digests)).encode()).hexdigest()
    return {
        "Made by": f"batontrace {importlib.metadata.version('batontrace')}",
        "from": f"{len(digests)} tables, SHA-256 of theirs {digest[:16]}",
    }


# --- names of files -------------------------------------------------------------------------


def _pair_name(pair: Pair, session: str | None, event: str | None) -> str:
    """An underscore stands between parts, and elsewhere in a session's id alone."""
    name = f"pair-{file_name(*pair)}"
    if event is not None:
        name += f"_{_dashed(event)}"
    return name if session is None else f"{name}_in_{_safe(session)}"


def file_name(incoming: str, outgoing: str) -> str:
    """A name for a pair's file that any file system takes, and no other pair has.

    Small letters, digits and dashes; where that changes the ids, makes them long or leaves it open
    where one ends, a part of their hash tells them apart.
    """
    safe = [_dashed(runner) for runner in (incoming, outgoing)]
    name = f"{safe[0]}-to-{safe[1]}"
    if safe == [incoming, outgoing] and all("-to-" not in f"-{part}-" for part in safe):
        return name
    return f"{name}_{_digest(f'{len(incoming)}:{incoming}{outgoing}')}"


def _safe(session: str) -> str:
    """A session's id as it is: one that processing took names a folder; any other is changed."""
    if folders.SAFE_ID.fullmatch(session):
        return session
    return f"{_dashed(session)}_{_digest(session)}"


def _dashed(text: str) -> str:
    return re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-")[:40]


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()[:10]
