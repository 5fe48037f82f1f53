"""What pages need of the tables in OUT, and what they say where a table is broken or too old."""

from __future__ import annotations

import contextlib
import hashlib
import importlib.metadata
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

from pipeline.base.relays import Rules, zone_lines_m
from pipeline.errors import InputError
from pipeline.language.phrases import phrase, phrase_count, reworded
from pipeline.show.page import layout
from pipeline.show.page.layout import Pairing
from pipeline.show.page.pair_part import PairDecisions
from pipeline.show.page.sheet_lines import DecisionRows
from pipeline.show.scenes import LakeRow, Scene
from pipeline.tables import folders, lake, schema
from pipeline.tables.lake import Lake
from pipeline.tables.parquet_content import MOST_FILE_BYTES
from pipeline.tables.places import Out, as_place

SAME_ZONE_M = 1.0  # lines are surveyed, and no two kinds of zone are so alike


def read_pair_decisions(
    out: Out, several: Sequence[Scene]
) -> tuple[dict[Pairing, PairDecisions], tuple[str, ...]]:
    """What the tables of decisions say of the pairs, and a remark for each table that is broken."""
    asked: dict[Pairing, None] = dict.fromkeys((*one.pair, one.row["event"]) for one in several)
    progress, no_progress = _read_pair_rows(out, "progress", asked)
    marks, no_marks = _read_pair_rows(out, "marks", asked)
    causes, no_causes = _read_pair_rows(out, "causes", asked)
    elsewhere = _for_another_zone(out, several) & marks.keys()
    if elsewhere:
        no_marks += (
            phrase_count(
                "the marks of {count} pair are for another zone than these takeovers and were left "
                "out: batontrace marks OUT --rules today or older",
                "the marks of {count} pairs are for another zone than these takeovers and were "
                "left out: batontrace marks OUT --rules today or older",
                len(elsewhere),
            ),
        )
    known = {
        key: PairDecisions(
            next(iter(progress.get(key, ())), None),
            () if key in elsewhere else tuple(marks.get(key, ())),
            tuple(causes.get(key, ())),
        )
        for key in asked
    }
    return known, (*no_progress, *no_marks, *no_causes)


def _for_another_zone(out: Out, several: Sequence[Scene]) -> set[Pairing]:
    """The pairs that ran in a zone for which the marks were not worked out: their rules are in the
    record of that table."""
    older = lake.decision_settings(out, "marks").get("older")
    if not isinstance(older, bool):
        return set()
    rules = Rules.older if older else Rules.today
    found = set()
    for one in several:
        back, entry, leave = zone_lines_m(one.row["event"], rules)
        if max(abs(leave - entry - one.zone_m), abs(back - entry - one.back_m)) > SAME_ZONE_M:
            found.add((*one.pair, one.row["event"]))
    return found


def with_verdicts(
    found: Lake, several: Sequence[Scene]
) -> tuple[tuple[Scene, ...], tuple[str, ...]]:
    """The scenes with their verdicts, and a remark where that table is broken, or older than the
    measurement: a takeover may have got another number since."""
    asked: dict[Pairing, None] = dict.fromkeys((*one.pair, one.row["event"]) for one in several)
    by_pair, remarks = _read_pair_rows(found.place, "verdicts", asked)
    told = {(row["session"], row["exchange"]): row for rows in by_pair.values() for row in rows}
    if not told:
        return tuple(several), remarks
    sessions = dict.fromkeys(one.row["session"] for one in several)
    old = [
        session
        for session in _measured_since(found, "verdicts", sessions)
        if any(key[0] == session for key in told)
    ]
    if old:
        remarks += (_too_old_words("verdicts", len(old)),)
    return tuple(
        one
        if one.row["session"] in old
        else replace(one, verdict=told.get((one.row["session"], one.row["exchange"])))
        for one in several
    ), remarks


def _measured_since(found: Lake, table_name: str, sessions: Iterable[str]) -> list[str]:
    """The sessions that a table of decisions does not rest on as they are measured now."""
    rests_on = lake.decision_inputs(found.place, table_name)
    files = {session: folders.part_file("exchanges", session) for session in sessions}
    return [one for one, file in files.items() if (file, found.inputs.get(file)) not in rests_on]


def _too_old_words(table_name: str, sessions: int) -> str:
    command = f"batontrace {schema.DECISION_COMMANDS[table_name]} OUT"
    if table_name == "causes":
        return phrase_count(
            "the causes on {count} session are older than the measurement and were left out: "
            "{command}",
            "the causes on {count} sessions are older than the measurement and were left out: "
            "{command}",
            sessions,
            command=command,
        )
    if table_name == "verdicts":
        return phrase_count(
            "the verdicts on {count} session are older than the measurement and were left out: "
            "{command}",
            "the verdicts on {count} sessions are older than the measurement and were left out: "
            "{command}",
            sessions,
            command=command,
        )
    return phrase_count(
        "the race parts on {count} session are older than the measurement and were left out: "
        "{command}",
        "the race parts on {count} sessions are older than the measurement and were left out: "
        "{command}",
        sessions,
        command=command,
    )


def _left_out_words(table_name: str, err: InputError, place: Out) -> str:
    why = reworded(err.message_from(as_place(place)))
    return phrase("table {table} was left out: {why}", table=table_name, why=why)


# Their rows are about takeovers by number, and a session measured again may number them anew.
_OF_TAKEOVERS = ("causes", "verdicts", "race_parts")


def read_decisions(found: Lake, names: Sequence[str]) -> tuple[DecisionRows, tuple[str, ...]]:
    """Tables of decisions, and a remark on each that is broken or older than the measurement."""
    rows: dict[str, Sequence[LakeRow] | None] = {}
    remarks: list[str] = []
    sessions = dict.fromkeys(found.exchanges["session"].to_pylist())
    for name in names:
        try:
            table = lake.read_decision(found.place, name)
        except InputError as err:
            remarks.append(_left_out_words(name, err, found.place))
            table = None
        rows[name] = own = None if table is None else table.to_pylist()
        since = _measured_since(found, name, sessions) if own and name != "validation" else []
        if own and name in _OF_TAKEOVERS:
            lost = {row["session"] for row in own}.intersection(since)
            rows[name] = [row for row in own if row["session"] not in lost]
            remarks += [_too_old_words(name, len(lost))] if lost else []
        elif since:
            remarks.append(
                phrase_count(
                    "table {table} does not rest on {count} session as measured now: {command}",
                    "table {table} does not rest on {count} sessions as measured now: {command}",
                    len(since),
                    table=name,
                    command=f"batontrace {schema.DECISION_COMMANDS[name]} OUT",
                )
            )
    return rows, tuple(remarks)


def decision_sources(found: Lake, names: Sequence[str]) -> dict[str, str]:
    """What a page rests on that shows takeovers and these tables of decisions."""
    return _sources_of(found, [folders.decision_file(name) for name in names])


def _read_pair_rows(
    out: Out, table_name: str, asked: Mapping[Pairing, None]
) -> tuple[dict[Pairing, list[LakeRow]], tuple[str, ...]]:
    try:
        table = lake.read_decision(out, table_name)
    except InputError as err:
        return {}, (_left_out_words(table_name, err, as_place(out)),)
    found: dict[Pairing, list[LakeRow]] = {}
    for row in [] if table is None else table.to_pylist():
        key = (row["incoming"], row["outgoing"], row["event"])
        if key in asked:
            found.setdefault(key, []).append(row)
    return found, ()


def read_sightings(out: Out, several: Sequence[Scene]) -> tuple[layout.Sightings, tuple[str, ...]]:
    """What observers saw of the takeovers, and a remark for each table that is broken."""
    found: dict[tuple[str, int], list[LakeRow]] = {}
    remarks: list[str] = []
    for session in dict.fromkeys(one.row["session"] for one in several):
        try:
            table = lake.read_session_table(out, session, "observations")
        except InputError as err:
            remarks.append(_left_out_words("observations", err, as_place(out)))
            continue
        for row in table.to_pylist():
            if row["exchange"] is not None:
                found.setdefault((session, row["exchange"]), []).append(row)
    return found, tuple(remarks)


def read_session_rows(
    out: Out, session: str, table_name: str
) -> tuple[list[LakeRow], tuple[str, ...]]:
    try:
        return lake.read_session_table(out, session, table_name).to_pylist(), ()
    except InputError as err:
        return [], (_left_out_words(table_name, err, as_place(out)),)


def page_sources(
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
    return _sources_of(found, beside)


def _sources_of(found: Lake, beside: Iterable[str]) -> dict[str, str]:
    digests = [*found.inputs.values()]
    for file in beside:
        with contextlib.suppress(InputError):  # not there, or none that could be read
            digests.append(hashlib.sha256(found.place.read(file, MOST_FILE_BYTES)).hexdigest())
    digest = hashlib.sha256("\n".join(sorted(digests)).encode()).hexdigest()
    return {
        phrase("Made by"): f"batontrace {importlib.metadata.version('batontrace')}",
        phrase("from"): phrase(
            "{tables} tables, SHA-256 {digest}", tables=len(digests), digest=digest[:16]
        ),
    }
