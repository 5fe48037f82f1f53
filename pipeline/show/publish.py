"""From a lake of tables to pages, cards and pictures on disk.

Each function reads OUT and nothing else, and writes one file, whole or not at all: into OUT/report
unless told otherwise. The same tables give the same bytes.
"""

from __future__ import annotations

import contextlib
import hashlib
import importlib.metadata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pyarrow as pa

from pipeline.base.words import count
from pipeline.errors import InputError, UsageError
from pipeline.show import scenes
from pipeline.show.card.card import card_html, race_card_html
from pipeline.show.figures import held_out_strips, history, overlays, risk
from pipeline.show.figures.figure import Figure
from pipeline.show.file_names import pair_file_name, session_file_name
from pipeline.show.markup import plain_text
from pipeline.show.page import layout
from pipeline.show.page.layout import Pairing
from pipeline.show.page.pair_part import PairDecisions
from pipeline.show.request import (
    FigureName,
    PairIds,
    check_figure_request,
    check_no_event,
    choose_session,
    numbered_scene,
    of_newest_zone_length,
    pair_scenes,
    pair_words,
)
from pipeline.show.scenes import LakeRow, Scene
from pipeline.tables import folders, lake, whole_files
from pipeline.tables.lake import Lake
from pipeline.tables.parquet_content import MOST_FILE_BYTES
from pipeline.tables.places import Folder, Out, as_place

REPORT_FOLDER = "report"
PAGES = (".html", ".htm")
PICTURES = (".svg", ".png")


@dataclass(frozen=True)
class WrittenFile:
    """A file that was written, the number of takeovers it rests on, and remarks on the lake."""

    path: Path | str  # in a bucket its URL
    takeovers: int
    remarks: tuple[str, ...]


def write_page(
    out: Out,
    *,
    session: str | None = None,
    pair: PairIds | None = None,
    event: str | None = None,
    to: Path | None = None,
) -> WrittenFile:
    """Write the page of a session, or of a pair over all sessions or in the session named.

    Without session and pair it is the newest session's page. `event` narrows a pair's page to one
    event. Raises UsageError where there is no such session, pair or event or `to` is not a name
    for a page, InputError where a table cannot be read, OutputError where the page cannot be
    written.
    """
    if to is not None and to.suffix.lower() not in PAGES:
        raise UsageError(f"--to {to}", "not a name for a page", "a name that ends in .html")
    if pair is None:
        check_no_event(event, "a session")
        session, remarks = choose_session(out, session)
        found = lake.read_lake(out, session)
        several = scenes.read_scenes(found.exchanges, found.curves)
        known, left_out = _read_decisions(out, several)
        several, unjudged = _with_verdicts(found, several)
        left_out = (*left_out, *unjudged)
        seen, unseen = _read_sightings(out, several)
        rows, lost = {}, list[str]()
        for table_name in ("recordings", "legs", "exercises"):
            rows[table_name], words = _read_session_rows(out, session, table_name)
            lost += words
        gone = (*left_out, *lost, *unseen)
        name, remarks = f"session-{session_file_name(session)}", (*remarks, *gone)
        about = _page_sources(found, several, session)
        text = layout.session_page(
            session, several, known=known, about=about, remarks=gone, seen=seen, **rows
        )
    else:
        found = lake.read_lake(out, session)
        several = pair_scenes(found, pair, session, event)
        known, left_out = _read_decisions(out, several)
        several, unjudged = _with_verdicts(found, several)
        left_out = (*left_out, *unjudged)
        seen, unseen = _read_sightings(out, several)
        remarks = (*found.remarks, *left_out, *unseen)
        name = pair_file_name(pair, session, event)
        text = layout.pair_page(
            several, known=known, about=_page_sources(found, several), remarks=remarks, seen=seen
        )
    path = _write_file(out, f"{name}.html", to, text.encode("utf-8"))
    return WrittenFile(path, len(several), remarks)


def write_figure(
    out: Out,
    *,
    session: str | None = None,
    exchange: int | None = None,
    pair: PairIds | None = None,
    event: str | None = None,
    view: overlays.View | None = None,
    figure: FigureName = "overlay",
    dark: bool = False,
    to: Path | None = None,
) -> WrittenFile:
    """Write one figure as SVG or PNG, by the ending of `to`.

    With `exchange` it is the overlay of one takeover; with `pair` it is a pair's overlay, history
    or risk, by `figure`. `view` is the axis of an overlay, "zone" where none is given. A risk
    rests on all sessions. Raises as `write_page` does.
    """
    check_figure_request(session, exchange, pair, view, figure)
    check_picture_name(to)
    axis = view or "zone"
    if pair is None:
        check_no_event(event, "a takeover")
        session, remarks = choose_session(out, session)
        found = lake.read_lake(out, session)
        one = numbered_scene(found, exchange, session)
        drawn, rests = overlays.takeover_overlay(one, axis), 1
        name = f"takeover-{session_file_name(session)}-{exchange}_{axis}"
    else:
        found = lake.read_lake(out, session)
        several = pair_scenes(found, pair, session, event)
        drawn, rests, left_out = _pair_figure(out, several, figure, axis)
        remarks = (*found.remarks, *left_out)
        shown = axis if figure == "overlay" else figure
        name = f"{pair_file_name(pair, session, event)}_{shown}"
    name += "_dark" if dark else ""
    path = _write_picture(out, f"{name}.png", to, drawn, dark=dark)
    return WrittenFile(path, rests, remarks)


def check_picture_name(to: Path | None) -> None:
    """Raise UsageError where `to` is a name, but none for a picture."""
    if to is not None and to.suffix.lower() not in PICTURES:
        raise UsageError(f"--to {to}", "not a name for a picture", "one in .svg or .png")


def write_agreement(
    out: Out,
    strips: Sequence[held_out_strips.Strip],
    notes: Sequence[str],
    *,
    to: Path | None = None,
) -> Path | str:
    """Write the figure that shows how what was held out agrees with what was measured; it lies
    beside the pages, since a folder of a table holds nothing else.

    Raises UsageError where `to` is not a name for a picture, OutputError where it cannot be
    written.
    """
    check_picture_name(to)
    return _write_picture(
        out, "validation.png", to, held_out_strips.agreement_figure(strips, notes)
    )


def _write_picture(
    out: Out, name: str, to: Path | None, figure: Figure, *, dark: bool = False
) -> Path | str:
    from pipeline.show.figures import slides

    svg = to is not None and to.suffix.lower() == ".svg"
    return _write_file(out, name, to, slides.draw_slide(figure, "svg" if svg else "png", dark=dark))


def _write_file(out: Out, name: str, to: Path | None, content: bytes) -> Path | str:
    """Write `to`, or else a file of that name among the reports of OUT, and say where it is."""
    place = as_place(out)
    if to is not None:
        whole_files.write_bytes(to, content, lake=place.path if isinstance(place, Folder) else None)
        return to
    if not isinstance(place, Folder):
        place.write("report", {f"{REPORT_FOLDER}/{name}": content})
        return f"{place}/{REPORT_FOLDER}/{name}"
    path = place.path / REPORT_FOLDER / name
    whole_files.write_bytes(path, content, lake=place.path)
    return path


def write_card(
    path: Path,
    tables: Mapping[str, pa.Table],
    settings: Mapping[str, str],
    *,
    event: str,
    team: Sequence[str] | None,
    date: str,
    notes: Sequence[str] = (),
    in_use: Mapping[PairIds, float] | None = None,
    zone_m: float | None = None,
    race_lane: int | None = None,
) -> None:
    """Write the trackside card from the tables `marks` and `runners` as one HTML file, whole or not
    at all. For the arguments see `card_html`; with a `race_lane` the team is a running order, and
    the card is that of its race (`race_card_html`)."""
    facts: Any = {
        "event": event, "settings": settings, "date": date, "notes": notes,
        "in_use": in_use, "zone_m": zone_m,
    }  # fmt: skip
    if race_lane is None:
        text = card_html(tables["marks"], tables["runners"], team=team, **facts)
    else:
        text = race_card_html(
            tables["marks"], tables["runners"], order=team or (), lane=race_lane, **facts
        )
    whole_files.write_text(path, text)


def _pair_figure(
    out: Out, several: Sequence[Scene], figure: FigureName, view: overlays.View
) -> tuple[Figure, int, tuple[str, ...]]:
    """A pair's figure, the number of takeovers it rests on, and remarks."""
    events = sorted({one.row["event"] for one in several})
    if len(events) > 1:
        found = f"takeovers of {', '.join(map(plain_text, events))}"
        raise UsageError("overlay", found, "those of one relay", "choose by --event")
    compared = scenes.at_full_speed(several)
    slow = len(several) - len(compared)
    ordered, others = of_newest_zone_length(scenes.order_by_time(compared))
    others += (f"left out: {count(slow, 'takeover')} not at full speed",) * bool(slow)
    if figure == "overlay":
        drawn = [one for one in ordered if not overlays.has_no_curves(one)]
        if not drawn:
            raise InputError("speed_curves", "no curve of this pair", "the curves of a takeover")
        return overlays.pair_overlay(drawn, view), len(drawn), others
    known, remarks = _read_decisions(out, several)
    (own,) = known.values()
    if figure == "history":
        return history.history_figure(ordered, own.progress), len(ordered), (*others, *remarks)
    drawn_risk = risk.risk_figure(own.marks, own.progress)
    if drawn_risk is None:
        raise InputError(
            f"{as_place(out)}/{folders.decision_file('marks')}",
            " | ".join(remarks) or f"holds no marks of {pair_words(several[0].pair)}",
            "a curve of candidate marks",
            f"work them out: batontrace marks {as_place(out)}",
        )
    return drawn_risk, next(row["reps"] for row in own.marks if row["advised"]), remarks


# --- what else the tables say ---------------------------------------------------------------------


def _read_decisions(
    out: Out, several: Sequence[Scene]
) -> tuple[dict[Pairing, PairDecisions], tuple[str, ...]]:
    """What the tables of decisions say of the pairs, and a remark for each table that is broken."""
    asked: dict[Pairing, None] = dict.fromkeys((*one.pair, one.row["event"]) for one in several)
    progress, no_progress = _read_pair_rows(out, "progress", asked)
    marks, no_marks = _read_pair_rows(out, "marks", asked)
    causes, no_causes = _read_pair_rows(out, "causes", asked)
    known = {
        key: PairDecisions(
            next(iter(progress.get(key, ())), None),
            tuple(marks.get(key, ())),
            tuple(causes.get(key, ())),
        )
        for key in asked
    }
    return known, (*no_progress, *no_marks, *no_causes)


def _with_verdicts(
    found: Lake, several: Sequence[Scene]
) -> tuple[tuple[Scene, ...], tuple[str, ...]]:
    """The scenes with their verdicts, and a remark where that table is broken, or older than the
    measurement: a takeover may have got another number since."""
    asked: dict[Pairing, None] = dict.fromkeys((*one.pair, one.row["event"]) for one in several)
    by_pair, remarks = _read_pair_rows(found.place, "verdicts", asked)
    told = {(row["session"], row["exchange"]): row for rows in by_pair.values() for row in rows}
    if not told:
        return tuple(several), remarks
    rests_on = lake.decision_inputs(found.place, "verdicts")
    sessions = dict.fromkeys(one.row["session"] for one in several)
    files = {session: folders.part_file("exchanges", session) for session in sessions}
    old = [
        session
        for session, file in files.items()
        if (file, found.inputs.get(file)) not in rests_on and any(key[0] == session for key in told)
    ]
    if old:
        remarks += (
            f"the verdicts on {count(len(old), 'session')} are older than the measurement and were "
            f"left out: batontrace causes {found.place}",
        )
    return tuple(
        one
        if one.row["session"] in old
        else replace(one, verdict=told.get((one.row["session"], one.row["exchange"])))
        for one in several
    ), remarks


def _read_pair_rows(
    out: Out, table_name: str, asked: Mapping[Pairing, None]
) -> tuple[dict[Pairing, list[LakeRow]], tuple[str, ...]]:
    try:
        table = lake.read_decision(out, table_name)
    except InputError as err:
        return {}, (f"table {table_name} was left out: {err.message_from(as_place(out))}",)
    found: dict[Pairing, list[LakeRow]] = {}
    for row in [] if table is None else table.to_pylist():
        key = (row["incoming"], row["outgoing"], row["event"])
        if key in asked:
            found.setdefault(key, []).append(row)
    return found, ()


def _read_sightings(out: Out, several: Sequence[Scene]) -> tuple[layout.Sightings, tuple[str, ...]]:
    """What observers saw of the takeovers, and a remark for each table that is broken."""
    found: dict[tuple[str, int], list[LakeRow]] = {}
    remarks: list[str] = []
    for session in dict.fromkeys(one.row["session"] for one in several):
        try:
            table = lake.read_session_table(out, session, "observations")
        except InputError as err:
            remarks.append(f"table observations was left out: {err.message_from(as_place(out))}")
            continue
        for row in table.to_pylist():
            if row["exchange"] is not None:
                found.setdefault((session, row["exchange"]), []).append(row)
    return found, tuple(remarks)


def _read_session_rows(
    out: Out, session: str, table_name: str
) -> tuple[list[LakeRow], tuple[str, ...]]:
    try:
        return lake.read_session_table(out, session, table_name).to_pylist(), ()
    except InputError as err:
        return [], (f"table {table_name} was left out: {err.message_from(as_place(out))}",)


def _page_sources(
    found: Lake, several: Sequence[Scene], session: str | None = None
) -> dict[str, str]:
    """What the page rests on. It does not say when the page was made, so that the same tables give
    the same page."""
    beside = [folders.decision_file(name) for name in ("progress", "marks", "causes", "verdicts")]
    shown = sorted({one.row["session"] for one in several})
    beside += [folders.part_file("observations", one) for one in shown]
    if session is not None:
        names = ("recordings", "legs", "exercises")
        beside += [folders.part_file(name, session) for name in names]
    digests = [*found.inputs.values()]
    for file in beside:
        with contextlib.suppress(InputError):  # not there, or none that could be read
            digests.append(hashlib.sha256(found.place.read(file, MOST_FILE_BYTES)).hexdigest())
    digest = hashlib.sha256("\n".join(sorted(digests)).encode()).hexdigest()
    return {
        "Made by": f"batontrace {importlib.metadata.version('batontrace')}",
        "from": f"{len(digests)} tables, SHA-256 {digest[:16]}",
    }
