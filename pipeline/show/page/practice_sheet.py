"""The practice sheet as a page for a telephone at the track: it needs no network, keeps what is
written down in the browser, and saves the CSV that `read` takes."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from xml.etree import ElementTree as ET

from pipeline.base.words import MARK_FROM_FEET
from pipeline.language.choice import language_in_force
from pipeline.language.numbers import day_words, decimal_sign
from pipeline.language.phrases import phrase
from pipeline.show.column_words import column_words
from pipeline.show.figures import page_svg
from pipeline.show.markup import Child, element, html_document, outside_name, plain_text
from pipeline.show.page.frame import page_script, read_page_file
from pipeline.show.wording import caution


@dataclass(frozen=True)
class SheetFacts:
    """What a session says around its sheet. `foot_m` by runner, None where it is not known; `zones`
    and `lanes` of the venue, none where there is no venue yet; `lane` where a row names none;
    `columns` of the sheet, with the `ranges` of its numbers; `rows` that it has already, whose
    other columns are kept as they are."""

    session: str
    day: date
    event: str
    foot_m: Mapping[str, float | None]
    zones: Sequence[int]
    lanes: Sequence[int]
    lane: int | None
    races: Sequence[str]
    columns: Sequence[str]
    ranges: Mapping[str, tuple[float, float]]
    rows: Sequence[Mapping[str, str]] = ()
    file: str = "reps.csv"


def practice_sheet_page(facts: SheetFacts) -> str:
    """The page as HTML text, to be stored as UTF-8."""
    title = phrase("Practice sheet")
    head = element(
        "header",
        {},
        element("h1", {}, title),
        element(
            "p", {}, outside_name(facts.session), f", {day_words(facts.day)}, ",
            plain_text(facts.event),
        ),
        element("p", {"class": "unscripted"}, _unscripted_words()),
    )  # fmt: skip
    main = element(
        "main",
        {"class": "scripted"},
        _rep_form(facts),
        element("div", {}, _written_section(), _save_section(facts)),
    )
    foot = element("footer", {}, element("p", {}, caution()))
    data = element(
        "p", {"id": "facts", "hidden": ""}, json.dumps(_script_facts(facts), ensure_ascii=False)
    )
    return html_document(
        f"{title}: {plain_text(facts.session)}",
        _sheet_style(),
        element("body", {}, head, main, foot, data),
        page_script(["practice_sheet.js"]),
    )


def _unscripted_words() -> str:
    return phrase(
        "This page is filled in by its script, which is not running. Open it in a browser, not in "
        "a preview; until then paper serves, and batontrace note."
    )


# --- the form --------------------------------------------------------------------------


def _rep_form(facts: SheetFacts) -> ET.Element:
    runners = [(name, plain_text(name)) for name in facts.foot_m]
    zones = [(str(zone), str(zone)) for zone in facts.zones or (1, 2, 3)]
    start_row = element(
        "div",
        {"class": "row"},
        element("button", {"type": "button", "id": "start"}, phrase("Start now")),
        element(
            "input",
            {
                "type": "time",
                "step": "1",
                "id": "f-time",
                "aria-label": phrase("Time of the start"),
            },
        ),
    )
    return element(
        "form",
        {"id": "rep", "novalidate": "", "autocomplete": "off"},
        element("h2", {"id": "rep-head", "tabindex": "-1"}, ""),
        _chips("incoming", phrase("Incoming runner"), runners),
        _chips("outgoing", phrase("Outgoing runner"), runners),
        element("div", {"class": "field"}, start_row),
        _chips("zone", phrase("Zone"), zones),
        _mark_field(),
        _chips("outcome", phrase("What happened"), [(one, one) for one in _outcomes()]),
        _text_field("note", phrase("Note"), {"class": "wide"}),
        _more(facts),
        element("button", {"type": "submit", "class": "main", "id": "keep"}, ""),
        element(
            "button", {"type": "button", "id": "cancel", "hidden": ""}, phrase("Leave it as it was")
        ),
        element("p", {"id": "status", "role": "status"}, ""),
        element("button", {"type": "button", "id": "undo", "hidden": ""}, phrase("Bring it back")),
    )


def _outcomes() -> list[str]:
    """What is said of a rep at a glance; it stands at the head of the note."""
    return [phrase("passed"), phrase("dropped"), phrase("not passed"), phrase("broken off")]


def _chips(
    name: str, legend: str, values: Sequence[tuple[str, str]], kind: str = "whole"
) -> ET.Element:
    chips = [
        element(
            "label",
            {},
            element("input", {"type": "radio", "name": name, "value": value}),
            element("span", {"dir": "auto"}, words),
        )
        for value, words in values
    ]
    return element(
        "fieldset",
        {"class": kind},
        element("legend", {}, legend),
        element("div", {"class": "chips"}, *chips),
        element("p", {"class": "wrong", "id": f"wrong-{name}"}, ""),
    )


def _mark_field() -> ET.Element:
    box = {"type": "text", "inputmode": "decimal", "id": "f-mark"}
    units = (("feet", phrase("feet")), ("m", phrase("metres")))
    return element(
        "div",
        {"class": "field"},
        element("label", {"for": "f-mark"}, phrase("Mark, before the back line")),
        element(
            "div",
            {"class": "row"},
            _sign_button("nearer", "−", phrase("Mark nearer")),
            element("input", box | {"aria-describedby": "f-hint f-foot wrong-mark"}),
            _sign_button("farther", "+", phrase("Mark farther")),
            _chips("unit", phrase("Mark counted in"), units, "beside"),
        ),
        element("p", {"class": "quiet", "id": "f-hint"}, ""),
        element("p", {"class": "quiet", "id": "f-foot"}, ""),
        element("p", {"class": "wrong", "id": "wrong-mark"}, ""),
    )


def _sign_button(name: str, sign: str, label: str) -> ET.Element:
    return element("button", {"type": "button", "id": name, "aria-label": label}, sign)


def _text_field(name: str, label: str, given: Mapping[str, str]) -> ET.Element:
    box = {"type": "text", "id": f"f-{name}", "aria-describedby": f"wrong-{name}"} | dict(given)
    return element(
        "div",
        {"class": "field"},
        element("label", {"for": f"f-{name}"}, label),
        element("input", box),
        element("p", {"class": "wrong", "id": f"wrong-{name}"}, ""),
    )


def _choice_field(name: str, label: str, values: Sequence[tuple[str, str]]) -> ET.Element:
    options = [element("option", {"value": value}, words) for value, words in (("", "–"), *values)]
    return element(
        "div",
        {"class": "field"},
        element("label", {"for": f"f-{name}"}, label),
        element("select", {"id": f"f-{name}"}, *options),
    )


def _more(facts: SheetFacts) -> ET.Element:
    """What few reps need, folded away."""
    number = {"inputmode": "decimal", "class": "wide"}
    lanes = [(str(lane), str(lane)) for lane in facts.lanes]
    races = [(name, plain_text(name)) for name in facts.races]
    usual = "" if facts.lane is None else phrase("Lane (blank: {lane})", lane=facts.lane)
    parts: list[Child] = [
        _choice_field("lane", usual or phrase("Lane"), lanes) if len(lanes) > 1 else None,
        _text_field("pass_m", phrase("Pass seen at, m past the entry line"), number),
        _choice_field("drill", phrase("Drill"), list(column_words("exercise").items())),
        _text_field("effort", phrase("Effort, % of full speed"), number),
        _choice_field("hand", phrase("Receiving hand"), list(column_words("hand").items())),
        _choice_field(
            "technique", phrase("Technique"), list(column_words("how the baton is given").items())
        ),
        _text_field("outgoing_start_m", phrase("Receiver stands, m past the back line"), number),
        _text_field(
            "incoming_start_m", phrase("Incoming runner starts, m before the back line"), number
        ),
        _text_field("wind_mps", phrase("Wind along the zone, m/s, + from behind"), number),
        _choice_field("race", phrase("Race"), races) if races else None,
        element(
            "div",
            {"class": "field"},
            element(
                "label",
                {"for": "f-use", "class": "row"},
                element("input", {"type": "checkbox", "id": "f-use"}),
                phrase("Not for advice"),
            ),
        ),
    ]
    return element(
        "details",
        {},
        element("summary", {}, phrase("More")),
        element("div", {"class": "more"}, *parts),
    )


# --- what is written down --------------------------------------------------------------


def _written_section() -> ET.Element:
    return element(
        "section",
        {"aria-labelledby": "written-head"},
        element("h2", {"id": "written-head"}, phrase("Written down")),
        element("p", {"id": "none", "class": "quiet"}, phrase("No rep yet.")),
        element("ul", {"id": "reps"}),
    )


def _save_section(facts: SheetFacts) -> ET.Element:
    return element(
        "section",
        {"id": "save-section", "aria-labelledby": "save-head"},
        element("h2", {"id": "save-head"}, phrase("Save the sheet")),
        element(
            "p", {"id": "unsaved", "hidden": ""}, phrase("Some of it is not saved as a file yet.")
        ),
        element(
            "p",
            {"id": "not-kept", "class": "wrong", "hidden": ""},
            phrase("This browser keeps nothing: save before the page is closed."),
        ),
        element(
            "button", {"type": "button", "class": "main", "id": "save"},
            phrase("Save {file}", file=facts.file),
        ),
        element(
            "p", {"class": "quiet"},
            phrase("Put it beside session.toml, in place of the one there. Where nothing can be "
                   "saved, send the text below to oneself and save it as {file}.", file=facts.file),
        ),
        element(
            "details", {},
            element("summary", {}, phrase("The text of {file}", file=facts.file)),
            element(
                "textarea",
                {"id": "csv", "readonly": "", "spellcheck": "false"}
                | {"aria-label": phrase("The text of {file}", file=facts.file)},
            ),
            element("button", {"type": "button", "id": "copy"}, phrase("Copy the text")),
        ),
    )  # fmt: skip


# --- for the script --------------------------------------------------------------------


def _script_facts(facts: SheetFacts) -> dict[str, object]:
    known = {name for name, foot in facts.foot_m.items() if foot is not None}
    columns = dict.fromkeys(name for row in facts.rows for name in row)
    others = [name for name in columns if name not in (*facts.columns, "__proto__")]
    return {
        "session": f"{facts.session} {facts.day.isoformat()}",
        "file": facts.file,
        "columns": list(facts.columns),
        "others": others,
        "ranges": {name: list(limits) for name, limits in facts.ranges.items()},
        "runners": dict(facts.foot_m),
        "zones": [str(zone) for zone in facts.zones],
        "unit": "feet" if known else "",  # else it is asked: 28 feet must not become 28 m
        "decimal": decimal_sign(language_in_force()),
        "fromFeet": MARK_FROM_FEET,
        "drills": column_words("exercise"),
        "outcomes": _outcomes(),
        "rows": [
            {name: row[name] for name in (*facts.columns, *others) if row.get(name)}
            for row in facts.rows
        ],
        "words": _script_words(),
    }


def _script_words() -> dict[str, str]:
    """The sentences of the script; `{...}` in them are filled in there."""
    return {
        "rep": phrase("Rep {rep}", rep="{rep}"),
        "keep": phrase("Write down rep {rep}", rep="{rep}"),
        "change": phrase("Change rep {rep}", rep="{rep}"),
        "row": phrase(
            "{rep}: {incoming} to {outgoing}", rep="{rep}", incoming="{incoming}",
            outgoing="{outgoing}",
        ),
        "written": phrase("Rep {rep} is written down.", rep="{rep}"),
        "notYet": phrase("Not written down yet: something is missing or wrong."),
        "started": phrase("Started at {time}.", time="{time}"),
        "removed": phrase("Rep {rep} is deleted.", rep="{rep}"),
        "edit": phrase("Edit"),
        "editRep": phrase("Edit rep {rep}", rep="{rep}"),
        "remove": phrase("Delete"),
        "removeRep": phrase("Delete rep {rep}", rep="{rep}"),
        "who": phrase("Choose a runner."),
        "same": phrase("Incoming and outgoing must be two runners."),
        "range": phrase("A number from {low} to {high}.", low="{low}", high="{high}"),
        "unit": phrase("Choose feet or metres."),
        "manyMetres": phrase("{mark} metres: or are these feet?", mark="{mark}"),
        "asLast": phrase("As in rep {rep}.", rep="{rep}"),
        "noFoot": phrase(
            "The foot-length of {runner} is not in session.toml yet (foot_m): a mark in feet "
            "counts only with it.",
            runner="{runner}",
        ),
        "markFeet": phrase("mark {mark} feet", mark="{mark}"),
        "markMetres": phrase("mark {mark} m", mark="{mark}"),
        "inZone": phrase("zone {zone}", zone="{zone}"),
        "saved": phrase("{file} was handed to the browser to save.", file="{file}"),
        "copied": phrase("Copied."),
    }  # fmt: skip


def _sheet_style() -> str:
    light, dark = page_svg.theme_variables("light"), page_svg.theme_variables("dark")
    return (
        f":root{{{light}}}\n"
        f"@media screen and (prefers-color-scheme: dark){{:root{{{dark}color-scheme:dark}}}}\n"
        f"{read_page_file('practice_sheet.css')}"
    )
