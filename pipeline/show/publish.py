"""From a lake of tables to pages, cards and pictures on disk.

Each function reads OUT and nothing else, and writes one file, whole or not at all: into OUT/report
unless told otherwise. The same tables give the same bytes in one language; the language is that in
force (`pipeline.language.choice.using`), English where none is put in force.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from pathlib import Path

import pyarrow as pa

from pipeline.base.relays import is_blind
from pipeline.errors import InputError, UsageError
from pipeline.language.phrases import phrase, phrase_count
from pipeline.show import scenes
from pipeline.show.card.card import CardSheet, card_html, race_card_html
from pipeline.show.figures import agreement, held_out_strips, history, overlays, risk, what_if
from pipeline.show.figures.figure import Figure
from pipeline.show.file_names import pair_file_name, session_file_name
from pipeline.show.markup import plain_text
from pipeline.show.page import causes_part, layout
from pipeline.show.page_tables import (
    page_sources,
    read_decisions,
    read_pair_decisions,
    read_session_rows,
    read_sightings,
    with_verdicts,
)
from pipeline.show.report_files import (
    WrittenFile,
    check_page_name,
    check_picture_name,
    links_beside,
    write_report_file,
)
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
from pipeline.tables.places import Out, as_place

MOST_BARS_ON_SLIDE = 8  # more would be too low to read


def write_page(
    out: Out,
    *,
    session: str | None = None,
    pair: PairIds | None = None,
    event: str | None = None,
    to: Path | None = None,
    planned: Collection[str] = (),
) -> WrittenFile:
    """Write the page of a session, or of a pair over all sessions or in the session named.

    Without session and pair it is the newest session's page. `event` narrows a pair's page to one
    event. The page links to those that lie beside it, and to the files `planned`. Raises UsageError
    where there is no such session, pair or event or `to` is not a name for a page, InputError where
    a table cannot be read, OutputError where the page cannot be written.
    """
    check_page_name(to)
    if pair is None:
        check_no_event(event, "session")
        session, remarks = choose_session(out, session)
        return _write_session_page(out, session, remarks, to, planned)
    found = lake.read_lake(out, session)
    return write_pair_page(found, pair, session=session, event=event, to=to, planned=planned)


def _write_session_page(
    out: Out,
    session: str,
    remarks: tuple[str, ...],
    to: Path | None,
    planned: Collection[str],
) -> WrittenFile:
    links = links_beside(out, to, planned)
    found = lake.read_lake(out, session)
    several = scenes.read_scenes(found.exchanges, found.curves)
    known, left_out = read_pair_decisions(out, several)
    several, unjudged = with_verdicts(found, several)
    seen, unseen = read_sightings(out, several)
    recordings, no_recordings = read_session_rows(out, session, "recordings")
    legs, no_legs = read_session_rows(out, session, "legs")
    exercises, no_exercises = read_session_rows(out, session, "exercises")
    squad, _ = read_decisions(found, ("marks", "progress"))  # remarked on as the pairs' are
    gone = (*left_out, *unjudged, *no_recordings, *no_legs, *no_exercises, *unseen)
    text = layout.session_page(
        session,
        several,
        known=known,
        recordings=recordings,
        about=page_sources(found, several, session),
        remarks=gone,
        seen=seen,
        legs=legs,
        exercises=exercises,
        squad=layout.Squad(squad["marks"] or (), squad["progress"] or ()),
        see_also=links.from_session(session, dict.fromkeys(row["race"] for row in legs)),
    )
    name = f"session-{session_file_name(session)}.html"
    path = write_report_file(out, name, to, text.encode("utf-8"))
    return WrittenFile(path, len(several), (*remarks, *gone))


def write_pair_page(
    found: Lake,
    pair: PairIds,
    *,
    session: str | None = None,
    event: str | None = None,
    to: Path | None = None,
    planned: Collection[str] = (),
) -> WrittenFile:
    """Write a pair's page from a lake that was read, as `write_page` does."""
    out = found.place
    several = pair_scenes(found, pair, session, event)
    known, left_out = read_pair_decisions(out, several)
    several, unjudged = with_verdicts(found, several)
    seen, unseen = read_sightings(out, several)
    remarks = (*found.remarks, *left_out, *unjudged, *unseen)
    text = layout.pair_page(
        several,
        known=known,
        about=page_sources(found, several),
        remarks=remarks,
        seen=seen,
        see_also=links_beside(out, to, planned).to_season(),
    )
    name = f"{pair_file_name(pair, session, event)}.html"
    path = write_report_file(out, name, to, text.encode("utf-8"))
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

    With `exchange` it is the overlay of one takeover; with `pair` it is a pair's figure of that
    name. `view` is the axis of an overlay, "zone" where none is given. What is said of marks rests
    on all sessions. Raises as `write_page` does.
    """
    check_figure_request(session, exchange, pair, view, figure)
    check_picture_name(to)
    axis = view or "zone"
    if pair is None:
        check_no_event(event, "takeover")
        session, remarks = choose_session(out, session)
        found = lake.read_lake(out, session)
        one = numbered_scene(found, exchange, session)
        drawn, rests = overlays.takeover_overlay(one, axis), 1
        name = f"takeover-{session_file_name(session)}-{exchange}_{axis}"
    else:
        found = lake.read_lake(out, session)
        several = pair_scenes(found, pair, session, event)
        drawn, rests, left_out = _pair_figure(found, several, figure, axis)
        remarks = (*found.remarks, *left_out)
        shown = axis if figure == "overlay" else figure
        name = f"{pair_file_name(pair, session, event)}_{shown}"
    name += "_dark" if dark else ""
    path = _write_picture(out, f"{name}.png", to, drawn, dark=dark)
    return WrittenFile(path, rests, (*remarks, *_letter_remarks(path, drawn)))


def _letter_remarks(path: Path | str, figure: Figure) -> tuple[str, ...]:
    """That a PNG has boxes for letters, where no installed font has them."""
    from pipeline.show.figures import slides

    letters = "" if str(path).lower().endswith(".svg") else slides.unknown_letters(figure)
    remark = phrase(
        "no installed font has {letters}: boxes stand for them; install a font that has them, or "
        "write an SVG",
        letters=letters,
    )
    return (remark,) * bool(letters)


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


def write_checks(
    out: Out, judged: Sequence[LakeRow], *, to: Path | None = None
) -> Path | str | None:
    """Write the figure of the moments that were held out, in seconds, beside that of the strips;
    None where none was timed. `judged` are rows of the table `validation`, `to` the name of the
    strips' figure.

    Raises as `write_agreement` does; InputError where the observations cannot be read.
    """
    rows = [
        row
        for session in lake.session_ids(out)
        for row in lake.read_session_table(out, session, "observations").to_pylist()
    ]
    figure = agreement.checks_figure(rows, judged)
    if figure is None:
        return None
    beside = None if to is None else to.with_name(f"{to.stem}-seconds{to.suffix}")
    return _write_picture(out, "validation-seconds.png", beside, figure)


def _write_picture(
    out: Out, name: str, to: Path | None, figure: Figure, *, dark: bool = False
) -> Path | str:
    from pipeline.show.figures import slides

    svg = to is not None and to.suffix.lower() == ".svg"
    content = slides.draw_slide(figure, "svg" if svg else "png", dark=dark)
    return write_report_file(out, name, to, content)


def write_card(
    path: Path,
    tables: Mapping[str, pa.Table],
    sheets: Sequence[CardSheet],
    settings: Mapping[str, str],
    *,
    notes: Sequence[str] = (),
    race_lane: int | None = None,
) -> None:
    """Write the trackside card from the tables `marks` and `runners` as one HTML file, whole or not
    at all. For the arguments see `card_html`; with a `race_lane` the one sheet's team is a running
    order, and the card is that of its race (`race_card_html`)."""
    both = tables["marks"], tables["runners"]
    if race_lane is None:
        text = card_html(*both, sheets, settings=settings, notes=notes)
    else:
        text = race_card_html(*both, sheets[0], lane=race_lane, settings=settings, notes=notes)
    whole_files.write_text(path, text)


def _pair_figure(
    found: Lake, several: Sequence[Scene], figure: FigureName, view: overlays.View
) -> tuple[Figure, int, tuple[str, ...]]:
    """A pair's figure, the number of takeovers it rests on, and remarks."""
    out = found.place
    events = sorted({one.row["event"] for one in several})
    if len(events) > 1:
        many = phrase("takeovers of {relays}", relays=", ".join(map(plain_text, events)))
        wanted = phrase("those of one relay")
        raise UsageError("overlay", many, wanted, phrase("choose by --event"))
    compared = scenes.at_full_speed(several)
    slow = len(several) - len(compared)
    ordered, others = of_newest_zone_length(scenes.order_by_time(compared))
    remark = phrase_count(
        "left out: {count} takeover not at full speed",
        "left out: {count} takeovers not at full speed",
        slow,
    )
    others += (remark,) * bool(slow)
    if figure == "overlay":
        drawn = [one for one in ordered if not overlays.has_no_curves(one)]
        if not drawn:
            wanted = phrase("the curves of a takeover")
            raise InputError("speed_curves", phrase("no curve of this pair"), wanted)
        return overlays.pair_overlay(drawn, view), len(drawn), others
    known, remarks = read_pair_decisions(out, several)
    (own,) = known.values()
    if figure == "history":
        return history.history_figure(ordered, own.progress), len(ordered), (*others, *remarks)
    if figure == "causes":
        return _pair_causes(found, ordered, own.causes, (*others, *remarks))
    if figure == "marks":
        newest = ordered[-1]
        by_sight = not is_blind(newest.row["event"])
        drawn_marks = what_if.what_if_figure(
            own.marks, own.progress, newest.zone_m, by_sight=by_sight
        )
    else:
        drawn_marks = risk.risk_figure(own.marks, own.progress)
    if drawn_marks is None:
        raise InputError(
            f"{as_place(out)}/{folders.decision_file('marks')}",
            " | ".join(remarks)
            or phrase("holds no marks of {pair}", pair=pair_words(several[0].pair)),
            phrase("a curve of candidate marks"),
            phrase("work them out: {command}", command=f"batontrace marks {as_place(out)}"),
        )
    return drawn_marks, next(row["reps"] for row in own.marks if row["advised"]), remarks


def _pair_causes(
    found: Lake, ordered: Sequence[Scene], causes: Sequence[LakeRow], remarks: tuple[str, ...]
) -> tuple[Figure, int, tuple[str, ...]]:
    judged, unjudged = with_verdicts(found, ordered)
    figure = causes_part.draw_pair_causes(judged, causes, MOST_BARS_ON_SLIDE)
    if figure is None:
        raise InputError(
            f"{found.place}/{folders.decision_file('verdicts')}",
            " | ".join(unjudged)
            or phrase("holds no verdict on {pair}", pair=pair_words(ordered[0].pair)),
            phrase("a verdict on each takeover"),
            phrase("work them out: {command}", command=f"batontrace causes {found.place}"),
        )
    return figure, sum(one.verdict is not None for one in judged), (*remarks, *unjudged)
