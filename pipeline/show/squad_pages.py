"""From a lake of tables to the pages beside those of a session and a pair: the season's, an
order's, a race's, a runner's, and all of them together.

Each function reads OUT and nothing else, and writes whole files or none, in the language in force.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from pipeline.base.asking import one_of
from pipeline.base.values import Progress
from pipeline.errors import InputError, UsageError
from pipeline.language.phrases import phrase, reworded
from pipeline.show import publish
from pipeline.show.file_names import (
    SEASON_FILE_NAME,
    PageLinks,
    order_file_name,
    pair_file_name,
    race_file_name,
    runner_file_name,
    session_file_name,
)
from pipeline.show.markup import plain_text
from pipeline.show.page.matrix_part import PairLink
from pipeline.show.page.order_page import ORDER_TABLES, order_page
from pipeline.show.page.race_page import RACE_TABLES, race_page
from pipeline.show.page.runner_page import RUNNER_TABLES, runner_page
from pipeline.show.page.season_page import SEASON_TABLES, season_page
from pipeline.show.page.sheet_lines import events_in_order
from pipeline.show.page_tables import decision_sources, read_decisions
from pipeline.show.report_files import (
    WrittenFile,
    check_page_name,
    links_beside,
    write_report_file,
)
from pipeline.show.request import PairIds, choose_race
from pipeline.show.scenes import LakeRow
from pipeline.tables import lake
from pipeline.tables.lake import Lake
from pipeline.tables.places import Out, as_place


def write_order_page(
    out: Out, event: str, *, to: Path | None = None, planned: Collection[str] = ()
) -> WrittenFile:
    """Write the page of the running orders of one event.

    Raises UsageError where nothing in `out` is of that event, and as `write_season_page`.
    """
    check_page_name(to)
    found = lake.read_lake(out, with_curves=False)
    decisions, left_out = read_decisions(found, ORDER_TABLES)
    takeovers = found.exchanges.to_pylist()
    rows = (*takeovers, *(decisions["orders"] or ()), *(decisions["marks"] or ()))
    there = events_in_order(rows)
    if event not in there:
        raise UsageError(
            f"--order {plain_text(event)}",
            phrase("nothing of this relay"),
            reworded(one_of(there, event)),
        )
    links, remarks = links_beside(out, to, planned), (*found.remarks, *left_out)
    text = order_page(
        event,
        decisions,
        link=_pair_link(takeovers, links),
        about=decision_sources(found, ORDER_TABLES),
        remarks=remarks,
        see_also=links.to_season(),
    )
    path = write_report_file(out, f"{order_file_name(event)}.html", to, text.encode("utf-8"))
    return WrittenFile(path, sum(row["event"] == event for row in takeovers), remarks)


def write_race_page(
    out: Out,
    race: str | None = None,
    *,
    session: str | None = None,
    to: Path | None = None,
    planned: Collection[str] = (),
) -> WrittenFile:
    """Write the page of one race; without its id it is the only one of the session.

    Raises UsageError where there is no such race, or more than one, and as `write_season_page`.
    """
    check_page_name(to)
    legs, lost = lake.read_legs(out)
    session, race = choose_race(legs.to_pylist(), session, race)
    found = lake.read_lake(out, session, with_curves=False)
    decisions, left_out = read_decisions(found, RACE_TABLES)
    own = [r for r in legs.to_pylist() if (r["session"], r["race"]) == (session, race)]
    takeovers = found.exchanges.to_pylist()
    links, remarks = links_beside(out, to, planned), (*found.remarks, *left_out, *lost)
    where = links.session(session)
    whole = ((where, phrase("Session {session}", session=session)),) if where else ()
    text = race_page(
        own,
        takeovers,
        decisions,
        link=_pair_link(takeovers, links),
        session_page=where,
        about=decision_sources(found, RACE_TABLES),
        remarks=remarks,
        see_also=(*links.to_season(), *whole),
    )
    path = write_report_file(out, f"{race_file_name(session, race)}.html", to, text.encode("utf-8"))
    return WrittenFile(path, sum(row["race"] == race for row in takeovers), remarks)


def write_runner_page(out: Out, runner: str, *, to: Path | None = None) -> WrittenFile:
    """Write one runner's sheet. It links to no other page, since it is handed out alone.

    Raises UsageError where there is no such runner, and as `write_season_page`.
    """
    check_page_name(to)
    found = lake.read_lake(out, with_curves=False)
    decisions, left_out = read_decisions(found, RUNNER_TABLES)
    takeovers = found.exchanges.to_pylist()
    there = {row[role] for row in takeovers for role in ("incoming", "outgoing")}
    there |= {row["runner"] for row in decisions["runners"] or ()}
    if runner not in there:
        choices = reworded(one_of(there, runner))
        raise UsageError(f"--runner {plain_text(runner)}", phrase("no such runner"), choices)
    own = [row for row in takeovers if runner in (row["incoming"], row["outgoing"])]
    remarks = (*found.remarks, *left_out)
    about = decision_sources(found, RUNNER_TABLES)
    text = runner_page(runner, own, decisions, about=about, remarks=remarks)
    path = write_report_file(out, f"{runner_file_name(runner)}.html", to, text.encode("utf-8"))
    return WrittenFile(path, len(own), remarks)


def write_season_page(
    out: Out, *, to: Path | None = None, planned: Collection[str] = ()
) -> WrittenFile:
    """Write the season's page. It links to those that lie beside it, and to the files `planned`.

    Raises UsageError where `to` is not a name for a page, InputError where no session can be read,
    OutputError where the page cannot be written.
    """
    check_page_name(to)
    found = lake.read_lake(out, with_curves=False)
    decisions, left_out = read_decisions(found, SEASON_TABLES)
    legs, lost = lake.read_legs(out)
    remarks = (*found.remarks, *left_out, *lost)
    pairs = zip(legs["session"].to_pylist(), legs["race"].to_pylist(), strict=True)
    takeovers, links = found.exchanges.to_pylist(), links_beside(out, to, planned)
    text = season_page(
        takeovers,
        lake.session_ids(out),
        decisions,
        races=tuple(dict.fromkeys(pairs)),
        links=links,
        link=_pair_link(takeovers, links),
        about=decision_sources(found, SEASON_TABLES),
        remarks=remarks,
    )
    path = write_report_file(out, f"{SEASON_FILE_NAME}.html", to, text.encode("utf-8"))
    return WrittenFile(path, len(found.exchanges), remarks)


@dataclass(frozen=True)
class WrittenPages:
    """The index of pages that were written together, how many they are, and remarks."""

    index: WrittenFile
    pages: int
    remarks: tuple[str, ...]


def write_all_pages(out: Out, *, progress: Progress | None = None) -> WrittenPages:
    """Write every page into OUT/report, linked to one another: of all sessions, pairs, runners,
    relays and races, and the season's, which is the index and comes last.

    Each page is whole by itself. A session that cannot be read has none, and a remark says so.
    Raises as `write_season_page`.
    """
    found = lake.read_lake(out)
    legs, _ = lake.read_legs(out)
    takeovers = found.exchanges.to_pylist()
    races = dict.fromkeys((row["session"], row["race"]) for row in legs.to_pylist())
    pairs = sorted({(row["incoming"], row["outgoing"]) for row in takeovers})
    runners = sorted({runner for pair in pairs for runner in pair})
    making: dict[str, Callable[[Collection[str]], WrittenFile]] = {}
    for session in lake.session_ids(out):
        name = f"session-{session_file_name(session)}.html"
        making[name] = partial(_session_page_of, out, session)
    for pair in pairs:
        making[f"{pair_file_name(pair, None, None)}.html"] = partial(_pair_page_of, found, pair)
    for runner in runners:
        making[f"{runner_file_name(runner)}.html"] = partial(_runner_page_of, out, runner)
    for event in events_in_order(takeovers):
        making[f"{order_file_name(event)}.html"] = partial(_order_page_of, out, event)
    for session, race in races:
        making[f"{race_file_name(session, race)}.html"] = partial(_race_page_of, out, session, race)
    planned = frozenset((*making, f"{SEASON_FILE_NAME}.html"))
    remarks: dict[str, None] = {}
    failed = set()
    for number, (name, make) in enumerate(making.items()):
        if progress is not None:
            progress(name, number, len(planned))
        try:
            done = make(planned)
        except InputError as err:
            failed.add(name)
            why = reworded(err.message_from(as_place(out)))
            remarks[phrase("{page} was not made: {why}", page=name, why=why)] = None
            continue
        remarks |= dict.fromkeys(done.remarks)
    index = write_season_page(out, planned=planned - failed)
    remarks |= dict.fromkeys(index.remarks)
    return WrittenPages(index, len(planned) - len(failed), tuple(remarks))


def _session_page_of(out: Out, session: str, planned: Collection[str]) -> WrittenFile:
    return publish.write_page(out, session=session, planned=planned)


def _pair_page_of(found: Lake, pair: PairIds, planned: Collection[str]) -> WrittenFile:
    return publish.write_pair_page(found, pair, planned=planned)


def _runner_page_of(out: Out, runner: str, _planned: Collection[str]) -> WrittenFile:
    return write_runner_page(out, runner)


def _order_page_of(out: Out, event: str, planned: Collection[str]) -> WrittenFile:
    return write_order_page(out, event, planned=planned)


def _race_page_of(out: Out, session: str, race: str, planned: Collection[str]) -> WrittenFile:
    return write_race_page(out, race, session=session, planned=planned)


def _pair_link(takeovers: Sequence[LakeRow], links: PageLinks) -> PairLink:
    """Where a pair's own page is, for pairs that have takeovers in the event asked for."""
    ran = {(row["incoming"], row["outgoing"], row["event"]) for row in takeovers}

    def link(incoming: str, outgoing: str, event: str) -> str | None:
        return links.pair(incoming, outgoing) if (incoming, outgoing, event) in ran else None

    return link
