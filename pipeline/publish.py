"""From a lake of tables to pages and pictures: the one place where reading and showing meet.

Each function reads OUT and nothing else, and writes one file, whole or not at all: into OUT/report
unless told otherwise. The same tables give the same bytes.
"""

from __future__ import annotations

import hashlib
import importlib.metadata
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import pyarrow.compute as pc

from pipeline import lake, store
from pipeline.errors import InputError, UsageError
from pipeline.lake import Lake
from pipeline.show import overlays, page, pairs, scenes, trends
from pipeline.show.drawing import Figure
from pipeline.show.page import Pairing
from pipeline.show.pairs import Known
from pipeline.show.scenes import Row, Takeover

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

    Without either the newest session's. Raises UsageError where there is no such session, pair or
    event, or `to` is no name of a page, InputError where a table cannot be read, OutputError where
    the page cannot be written.
    """
    if to is not None and to.suffix.lower() not in PAGES:
        raise UsageError(f"--to {to}", "not a name for a page", "a name that ends in .html")
    if pair is None and session is None:
        session = lake.newest(out)
    found = lake.read(out, session)
    several = _chosen(found, pair, event)
    known, remarks = _known(out, several)
    about = _about(found)
    if pair is not None:
        text = page.pair(several, known=known, about=about)
        name = _pair_name(pair, session)
    else:
        rows, more = _recordings(out, str(session))
        remarks += more
        text = page.session(str(session), several, known=known, recordings=rows, about=about)
        name = f"session-{session}"
    path = out / FOLDER / f"{name}.html" if to is None else to
    store.write_text(path, text)
    return Written(path, len(several), (*found.remarks, *remarks))


def overlay(
    out: Path,
    *,
    session: str | None = None,
    exchange: int | None = None,
    pair: Pair | None = None,
    event: str | None = None,
    view: overlays.View = "zone",
    figure: FigureName = "overlay",
    dark: bool = False,
    to: Path | None = None,
) -> Written:
    """One figure as SVG or PNG, by the ending of `to`: a takeover's overlay (`exchange`), or a
    pair's takeovers laid over each other, its history, its mark's risk (`pair`).

    Raises as `report` does.
    """
    from pipeline.show import slides

    _ask(exchange, pair, figure)
    if to is not None and to.suffix.lower() not in PICTURES:
        raise UsageError(f"--to {to}", "not a name for a picture", "one in .svg or .png")
    if pair is None and session is None:
        session = lake.newest(out)
    found = lake.read(out, session)
    several = _chosen(found, pair, event)
    remarks: tuple[str, ...] = ()
    if exchange is not None:
        several = _numbered(several, exchange, str(session))
        drawn = overlays.takeover(several[0], view)
        name = f"takeover-{session}-{exchange}-{view}"
    else:
        _one_event(several)
        drawn, remarks = _of_pair(out, several, figure, view)
        stem = _pair_name(several[0].pair, session)
        name = f"{stem}-{view}" if figure == "overlay" else f"{stem}-{figure}"
    path = out / FOLDER / f"{name}.png" if to is None else to
    kind: Literal["svg", "png"] = "svg" if path.suffix.lower() == ".svg" else "png"
    store.write_bytes(path, slides.draw(drawn, kind, dark=dark))
    return Written(path, len(several), (*found.remarks, *remarks))


# --- what was asked for ---------------------------------------------------------------------------


def _ask(exchange: int | None, pair: Pair | None, figure: FigureName) -> None:
    if (exchange is None) == (pair is None):
        found = "neither" if pair is None else "both"
        raise UsageError(
            "overlay", f"{found} of --exchange and --pair", "one of them",
            "give --session ID --exchange N, or --pair INCOMING OUTGOING",
        )  # fmt: skip
    if figure != "overlay" and pair is None:
        raise UsageError(f"--figure {figure}", "no pair", "--pair INCOMING OUTGOING")


def _chosen(found: Lake, pair: Pair | None, event: str | None) -> list[Takeover]:
    """The takeovers asked for; those of a session may be none."""
    rows = found.exchanges
    if event is not None:
        events = sorted(set(rows["event"].to_pylist()))
        if event not in events:
            raise UsageError(f"--event {event}", "no takeover of it", f"of {', '.join(events)}")
        rows = rows.filter(pc.equal(rows["event"], event))
    if pair is not None:
        own = rows.filter(
            pc.and_(pc.equal(rows["incoming"], pair[0]), pc.equal(rows["outgoing"], pair[1]))
        )
        if not len(own):
            raise _no_pair(pair, rows["incoming"].to_pylist(), rows["outgoing"].to_pylist())
        rows = own
    return list(scenes.takeovers(rows, found.curves))


def _no_pair(pair: Pair, incoming: Sequence[str], outgoing: Sequence[str]) -> UsageError:
    there = sorted(set(zip(incoming, outgoing, strict=True)))
    listed = ", ".join(f"{a} to {b}" for a, b in there[:_LISTED])
    more = f" and {len(there) - _LISTED} more" if len(there) > _LISTED else ""
    other = "the other order is there" if pair[::-1] in there else ""
    return UsageError(
        f"pair {pair[0]} to {pair[1]}", "no takeover of this pair", f"one of {listed}{more}", other
    )


def _numbered(several: Sequence[Takeover], exchange: int, session: str) -> list[Takeover]:
    own = [one for one in several if one.row["exchange"] == exchange]
    if not own:
        numbers = [one.row["exchange"] for one in several]
        there = f"{min(numbers)} to {max(numbers)}" if numbers else "there is no takeover"
        raise UsageError(f"--exchange {exchange}", f"is not in session {session}", there)
    return own


def _one_event(several: Sequence[Takeover]) -> None:
    events = sorted({one.row["event"] for one in several})
    if len(events) > 1:
        found = f"takeovers of {', '.join(events)}"
        raise UsageError("overlay", found, "those of one relay", "choose by --event")


def _of_pair(
    out: Path, several: Sequence[Takeover], figure: FigureName, view: overlays.View
) -> tuple[Figure, tuple[str, ...]]:
    ordered = scenes.order_by_time(several)
    if figure == "overlay":
        drawn = [one for one in ordered if not overlays.no_curves(one)]
        if not drawn:
            raise InputError("speed_curves", "no curve of this pair", "the curves of a takeover")
        return overlays.laid_over(drawn, view), ()
    known, remarks = _known(out, several)
    own = next(iter(known.values()), pairs.UNKNOWN)
    if figure == "history":
        return trends.history(ordered, own.progress), remarks
    risk = trends.risk(own.marks, own.progress)
    if risk is None:
        raise InputError(
            lake.table_path(out, "marks"), "holds no marks of this pair",
            "a curve of candidate marks", f"work them out first: batontrace marks {out}",
        )  # fmt: skip
    return risk, remarks


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
        table = lake.read_table(out, table_name)
    except InputError as err:
        said = str(err).replace(f"{out}/", "")
        return {}, (f"table {table_name} was left out: {said}",)
    found: dict[Pairing, list[Row]] = {}
    for row in [] if table is None else table.to_pylist():
        key = (row["incoming"], row["outgoing"], row["event"])
        if key in asked:
            found.setdefault(key, []).append(row)
    return found, ()


def _recordings(out: Path, session: str) -> tuple[list[Row], tuple[str, ...]]:
    try:
        return lake.recordings(out, session).to_pylist(), ()
    except InputError as err:
        said = str(err).replace(f"{out}/", "")
        return [], (f"table recordings was left out: {said}",)


def _about(found: Lake) -> dict[str, str]:
    """What the page rests on, without a time of now: the same tables give the same page."""
    digest = hashlib.sha256("\n".join(sorted(found.inputs.values())).encode()).hexdigest()
    return {
        "Made by": f"batontrace {importlib.metadata.version('batontrace')}",
        "from": f"{len(found.inputs)} tables, SHA-256 of theirs {digest[:16]}",
    }


# --- names of files -------------------------------------------------------------------------


def _pair_name(pair: Pair, session: str | None) -> str:
    name = f"pair-{file_name(*pair)}"
    return name if session is None else f"{name}-in-{session}"


def file_name(incoming: str, outgoing: str) -> str:
    """A name for a pair's file that any file system takes, and no other pair has.

    Small letters, digits and dashes; where that changes the ids, makes them long or leaves it open
    where one ends, a part of their hash tells them apart.
    """
    safe = [
        re.sub(r"[^a-z0-9]+", "-", runner.lower()).strip("-")[:40]
        for runner in (incoming, outgoing)
    ]
    name = f"{safe[0]}-to-{safe[1]}"
    if safe == [incoming, outgoing] and all("-to-" not in f"-{part}-" for part in safe):
        return name
    digest = hashlib.sha256(
        f"{len(incoming)}:{incoming}{outgoing}".encode("utf-8", "surrogatepass")
    )
    return f"{name}-{digest.hexdigest()[:10]}"
