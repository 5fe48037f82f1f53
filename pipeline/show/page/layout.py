"""The page a coach reads: a session, or a pair over all sessions, as one HTML file from the tables.

Needs nothing else: no network, no other file. Everything is in the page's source, figures included;
without its script it is whole, with it there are switches, the order of the list and values under
the finger. Style and script stand beside this module and go into the page under their hashes.
"""

from __future__ import annotations

import importlib.resources
from collections.abc import Iterable, Mapping, Sequence
from xml.etree import ElementTree as ET

from pipeline.base.words import CAUTION, TENTH, count
from pipeline.show.figures import vector
from pipeline.show.markup import Child, document, element, name, plain, row, scrolling, table
from pipeline.show.page import detail, glance, pairs
from pipeline.show.page.pairs import UNKNOWN, Known
from pipeline.show.scenes import Row, Takeover, order_by_time
from pipeline.show.wording import days

Pairing = tuple[str, str, str]  # incoming, outgoing, event

READING = (
    "Units are worn on the trunk: a runner's place is the trunk's, on the lane's measured line, "
    "past the entry line.",
    "The baton is taken to be with the incoming runner's trunk until the pass and with the "
    "outgoing runner's after it; the place of the pass is half-way between the two.",
    "Zone time: the baton's, from entry line to exit line. Gap: free distance, between the trunks "
    "at the pass. Start: the outgoing runner's first movement less the incoming runner's crossing "
    "of the mark.",
    "Speeds have the swing inside each step taken out.",
    "± is one standard error: in two cases of three the truth is no farther off. “–” is not known; "
    "the takeover's own part says why.",
    "Whole lines and full dots were measured or seen, broken lines and hollow dots are inferred.",
)
PRIVATE = (
    "Speeds of a person, often a minor, are personal data: pass this page on only to those who may "
    "see them. It holds no position on Earth."
)


def session(
    session_id: str,
    takeovers: Sequence[Takeover],
    *,
    known: Mapping[Pairing, Known],
    recordings: Sequence[Row],
    about: Mapping[str, str],
    remarks: Sequence[str] = (),
) -> str:
    """The page of one session as HTML text, to be stored as UTF-8.

    `takeovers` may be none. `recordings` are the session's rows of that table, `remarks` what was
    left out, `about` what the page rests on, printed at its end.
    """
    ordered = order_by_time(takeovers)
    parts: list[Child] = [
        _at_a_glance(ordered, with_dates=False),
        _pairs(ordered, known),
        _each(ordered, with_dates=False),
        _recordings(recordings),
    ]
    title = f"Takeovers, {plain(session_id)}"
    return _page(title, ordered, parts, about, remarks)


def pair(
    takeovers: Sequence[Takeover],
    *,
    known: Mapping[Pairing, Known],
    about: Mapping[str, str],
    remarks: Sequence[str] = (),
) -> str:
    """The page of one pair, in one event or several, as HTML text. Raises ValueError of none."""
    if not takeovers:
        raise ValueError("a pair's page needs a takeover")
    ordered = order_by_time(takeovers)
    incoming, outgoing = (plain(runner) for runner in ordered[0].pair)
    parts: list[Child] = [_at_a_glance(ordered, with_dates=True)]
    places = _places(ordered)
    for key, several in _by_pairing(ordered):
        parts.append(
            pairs.section(several, known.get(key, UNKNOWN), places, heading="h2", with_history=True)
        )
    parts.append(_each(ordered, with_dates=True))
    return _page(f"{incoming} to {outgoing}", ordered, parts, about, remarks)


# --- parts --------------------------------------------------------------------------------------


def _by_pairing(ordered: Sequence[Takeover]) -> list[tuple[Pairing, list[Takeover]]]:
    """What can be compared: takeovers of one pair in one relay and in zones of one length."""
    found: dict[tuple[Pairing, float], list[Takeover]] = {}
    for one in ordered:
        found.setdefault(((*one.pair, one.row["event"]), one.zone_m), []).append(one)
    return [(key, several) for (key, _), several in found.items()]


def _places(ordered: Sequence[Takeover]) -> dict[str, int]:
    """Each takeover's number in the list, by its anchor."""
    return {glance.anchor(one): number for number, one in enumerate(ordered, start=1)}


def _lead(ordered: Sequence[Takeover]) -> str:
    if not ordered:
        return "No takeover was found in this session."
    sessions = dict.fromkeys(one.row["session"] for one in ordered)
    events = ", ".join(dict.fromkeys(one.row["event"] for one in ordered))
    passed = sum(one.passed for one in ordered)
    when = days(ordered[0].when, ordered[-1].when)
    words = f"{when}; {events}; {count(len(ordered), 'takeover')}, {passed} passed"
    if len(sessions) > 1:
        words += f"; {len(sessions)} sessions"
    zones = dict.fromkeys((one.row["zone"], one.row["lane"]) for one in ordered)
    if len(zones) == 1:
        zone, lane = next(iter(zones))
        words += f"; zone {zone}, lane {lane}"
    return f"{words}."


def _at_a_glance(ordered: Sequence[Takeover], *, with_dates: bool) -> ET.Element | None:
    if not ordered:
        return None
    return element(
        "section",
        {"id": "list", "aria-labelledby": "list-head"},
        element("h2", {"id": "list-head"}, "At a glance"),
        _choices(ordered),
        *glance.table(ordered, with_dates=with_dates),
    )


def _choices(ordered: Sequence[Takeover]) -> ET.Element:
    found = glance.pair_numbers(ordered)
    parts = [_radios("order", "Order", (("time", "as run"), ("best", "best first")))]
    if len(found) > 1:
        options = [element("option", {"value": ""}, "all pairs")]
        options += [
            element("option", {"value": number}, f"{plain(incoming)} to {plain(outgoing)}")
            for (incoming, outgoing), number in found.items()
        ]
        select = element("select", {"id": "which-pair"}, *options)
        parts.append(_labelled("Pair", select))
    return element("div", {"class": "scripted choices"}, *parts)


def _radios(group: str, legend: str, values: Iterable[tuple[str, str]]) -> ET.Element:
    labels: list[Child] = []
    for index, (value, words) in enumerate(values):
        checked = {} if index else {"checked": "checked"}
        given = {"type": "radio", "name": group, "value": value} | checked
        labels.append(element("label", {}, element("input", given), f" {words}"))
    return element("fieldset", {"class": "choice"}, element("legend", {}, legend), *labels)


def _labelled(words: str, control: ET.Element) -> ET.Element:
    label = element("label", {"for": control.get("id", "")}, words)
    return element("div", {"class": "choice"}, label, " ", control)


def _pairs(ordered: Sequence[Takeover], known: Mapping[Pairing, Known]) -> ET.Element | None:
    numbers, places = glance.pair_numbers(ordered), _places(ordered)
    sections = []
    for key, several in _by_pairing(ordered):
        section = pairs.section(several, known.get(key, UNKNOWN), places, with_history=False)
        section.set("data-pair", numbers[key[:2]])
        sections.append(section)
    if not sections:
        return None
    head = element("h2", {"id": "pairs-head"}, "Pair by pair")
    advises = any(one.marks for one in known.values())
    caution = element("p", {"class": "caution"}, CAUTION) if advises else None
    return element(
        "section", {"id": "pairs", "aria-labelledby": "pairs-head"}, head, caution, *sections
    )


def _each(ordered: Sequence[Takeover], *, with_dates: bool) -> ET.Element | None:
    if not ordered:
        return None
    numbers = glance.pair_numbers(ordered)
    articles = []
    for number, one in enumerate(ordered, start=1):
        article = detail.article(one, number, with_date=with_dates)
        article.set("data-pair", numbers[one.pair])
        articles.append(article)
    head = element("h2", {"id": "each-head"}, "Each takeover")
    return element("section", {"id": "each", "aria-labelledby": "each-head"}, head, *articles)


_RECORDING = (
    "runner",
    "file",
    "sensor",
    "rate, Hz",
    "clock by",
    "clock ±, s",
    "position noise, m",
    "speed noise, m/s",
    "dropped",
    "remarks",
)


def _recordings(rows: Sequence[Row]) -> ET.Element | None:
    if not rows:
        return None
    caption = "What each file gave; noise is one fix's standard deviation."
    given = table("recordings", _RECORDING, map(_recording, rows), caption)
    return element(
        "section",
        {"id": "files", "aria-labelledby": "files-head"},
        element("h2", {"id": "files-head"}, "Recordings"),
        scrolling("What each file gave", given),
    )


def _recording(own: Row) -> ET.Element:
    def figure(column: str, digits: int) -> str:
        return "–" if own[column] is None else f"{own[column]:.{digits}f}"

    cells: list[Child] = [
        name(own["file"]),
        own["sensor"] or "–",
        figure("rate_hz", 1),
        own["clock_basis"],
        figure("clock_sd_s", 3),
        figure("position_noise_m", 2),
        figure("speed_noise_mps", 2),
        str(own["dropped_samples"]),
        name("; ".join(own["remarks"]) or "–"),
    ]
    return row([name(own["runner"])], cells)


# --- the frame ----------------------------------------------------------------------------------


def _page(
    title: str,
    ordered: Sequence[Takeover],
    parts: Sequence[Child],
    about: Mapping[str, str],
    remarks: Sequence[str],
) -> str:
    missing = [element("li", {}, name(text)) for text in remarks]
    head = element(
        "header",
        {},
        element("h1", {}, title),
        element("p", {"class": "lead"}, _lead(ordered)),
        element("ul", {"class": "missing"}, *missing) if missing else None,
    )
    first, *rest = parts
    main = element("main", {}, first, _settings(ordered), *rest, _reading())
    body = element("body", {}, head, main, _foot(about))
    return document(title, _style(), body, _own("page.js"))


def _settings(ordered: Sequence[Takeover]) -> ET.Element:
    """The switches of the figures: they stay in reach while the figures pass below them."""
    views = (("zone", "zone"), ("clock", "clock"))
    papers = (("auto", "auto"), ("light", "light"), ("dark", "dark"))
    options = [element("option", {"value": value}, words) for value, words in papers]
    return element(
        "div",
        {"class": "scripted settings", "role": "group", "aria-label": "How the figures show"},
        _radios("view", "Speeds over", views) if ordered else None,
        _labelled("Paper", element("select", {"id": "paper"}, *options)),
    )


def _reading() -> ET.Element:
    return element(
        "section",
        {"id": "reading", "aria-labelledby": "reading-head"},
        element("h2", {"id": "reading-head"}, "How to read it"),
        element("ul", {}, *(element("li", {}, text) for text in (*READING, TENTH))),
    )


def _foot(about: Mapping[str, str]) -> ET.Element:
    rests = [
        element("span", {}, name(what), ": ", name(said), "; ") for what, said in about.items()
    ]
    return element(
        "footer",
        {},
        element("p", {"class": "caution"}, CAUTION),
        element("p", {}, PRIVATE),
        element("p", {"class": "about"}, *rests) if rests else None,
    )


def _own(file: str) -> str:
    return (
        importlib.resources.files("pipeline.show.page").joinpath(file).read_text(encoding="utf-8")
    )


def _style() -> str:
    light, dark = vector.style("light"), vector.style("dark")
    return (
        f":root{{{light}}}\n"
        f"@media screen and (prefers-color-scheme: dark)"
        f"{{:root:not([data-paper=light]){{{dark}color-scheme:dark}}}}\n"
        f"@media screen{{:root[data-paper=dark]{{{dark}color-scheme:dark}}}}\n"
        f"{vector.inks()}{_own('page.css')}"
    )
