"""What every page has round its parts: head, switches, how to read it, cautions, style, script."""

from __future__ import annotations

import importlib.resources
import json
from collections.abc import Iterable, Mapping, Sequence
from xml.etree import ElementTree as ET

from pipeline.language.choice import language_in_force
from pipeline.language.numbers import decimal_sign
from pipeline.language.phrases import phrase, phrase_of
from pipeline.show.column_words import column_word
from pipeline.show.figures import page_svg
from pipeline.show.markup import Child, element, html_document, list_item, outside_name
from pipeline.show.page.sharing import pack_scripted, share_repeated
from pipeline.show.page.sheet_lines import caution_line, colon, semicolon, table_sentence
from pipeline.show.wording import tenth_words

SeeAlso = Sequence[tuple[str, str]]
_STYLES = ("page.css", "sheets.css", "recordings.css", "print.css")
_SCRIPTS = ("readings.js", "overlay.js", "lane.js", "page.js")


def reading_notes() -> tuple[str, ...]:
    """How a page of takeovers is read."""
    return (
        phrase(
            "Units are worn on the trunk. A runner's place is the trunk's, along the lane's "
            "measured line, counted from the entry line."
        ),
        phrase(
            "The baton is taken to be with the incoming runner's trunk until the pass and with the "
            "outgoing runner's after it. The place of the pass is half-way between the two trunks."
        ),
        phrase("Zone time: the baton's time from the entry line to the exit line."),
        phrase("Gap: the distance between the two trunks, at the pass or at any moment."),
        phrase(
            "Start: the outgoing runner's first movement less the incoming runner's crossing of "
            "the mark, so a late start is positive. The moment itself is called go."
        ),
        phrase("The receiver is the outgoing runner."),
        phrase(
            "The sentence at a takeover's head compares it with what the pair usually does on the "
            "mark advised. Late and early are against the receiver's own usual start."
        ),
        phrase("Speeds are without the swing inside each step."),
        phrase(
            "± is one standard error: in two cases of three the truth is no farther off. “–” means "
            "not known; the takeover's own part says why."
        ),
        phrase(
            "Solid lines and full dots were measured or seen. Dashed lines and hollow dots are "
            "inferred."
        ),
    )


def whole_page(
    title: str,
    lead: str,
    parts: Sequence[Child],
    *,
    about: Mapping[str, str],
    remarks: Sequence[str] = (),
    reading: Sequence[str] | None = None,
    has_views: bool = False,
    settings_after: int = 1,
    see_also: SeeAlso = (),
) -> str:
    """A page as HTML text, to be stored as UTF-8.

    `lead` is the sentence below the title, `parts` the sections, `about` what the page rests on,
    `remarks` what was left out, `reading` how to read it (`reading_notes` where nothing else is
    given). `has_views`: there are figures with two views, so there is a switch between them. The
    switches stand after `settings_after` parts.
    `see_also` are other pages: where each lies, seen from this one, and its name.
    """
    missing = [list_item(table_sentence(text)) for text in remarks]
    head = element(
        "header",
        {},
        element("h1", {}, title),
        element("p", {"class": "lead"}, lead),
        element("ul", {"class": "missing"}, *missing) if missing else None,
        _other_pages(see_also),
    )
    above, below = parts[:settings_after], parts[settings_after:]
    settings = _figure_settings(has_views)
    notes = _reading_section(reading_notes() if reading is None else reading)
    main = element("main", {}, *above, settings, *below, notes)
    body = element("body", {}, _script_words(), head, main, _page_footer(about))
    body = pack_scripted(share_repeated(body))
    return html_document(title, _page_style(), body, page_script(_SCRIPTS))


def _other_pages(see_also: SeeAlso) -> ET.Element | None:
    """Links to other pages of the same folder; None where there is none."""
    if not see_also:
        return None
    links = [
        list_item(element("a", {"href": where}, outside_name(name))) for where, name in see_also
    ]
    given = {"class": "see-also", "aria-label": phrase("Other pages")}
    return element("nav", given, element("ul", {}, *links))


def _figure_settings(has_views: bool) -> ET.Element:
    """The switches of the figures, which stay in sight while the page scrolls."""
    views = (("zone", phrase("zone")), ("clock", phrase("clock")))
    papers = (
        ("auto", phrase_of("paper", "auto")),
        ("light", phrase_of("paper", "light")),
        ("dark", phrase_of("paper", "dark")),
    )
    options = [element("option", {"value": value}, words) for value, words in papers]
    return element(
        "div",
        {
            "class": "scripted settings",
            "role": "group",
            "aria-label": phrase("How the figures show"),
        },
        radio_choice("view", phrase("Speeds over"), views) if has_views else None,
        labelled_choice(phrase("Paper"), element("select", {"id": "paper"}, *options)),
    )


def _reading_section(notes: Sequence[str]) -> ET.Element:
    return element(
        "section",
        {"id": "reading", "aria-labelledby": "reading-head"},
        element("h2", {"id": "reading-head"}, phrase("How to read it")),
        element("ul", {}, *map(list_item, (*notes, tenth_words()))),
    )


def _privacy_note() -> str:
    return phrase(
        "Speeds of a person, often a minor, are personal data: pass this page on only to those who "
        "may see them. It holds no position on Earth."
    )


def _page_footer(about: Mapping[str, str]) -> ET.Element:
    rests = [
        element("span", {}, outside_name(what), colon(), outside_name(said), semicolon())
        for what, said in about.items()
    ]
    return element(
        "footer",
        {},
        caution_line(),
        element("p", {}, _privacy_note()),
        element("p", {"class": "about"}, *rests) if rests else None,
    )


def _script_words() -> ET.Element:
    """What the page's script says: sentences in which it fills in names and numbers, and the sign
    before decimals, as JSON in a hidden element."""
    words = {
        "decimal": decimal_sign(language_in_force()),
        # readings under a finger
        "place": phrase("{place} m past the entry line"),
        "moment": phrase("{time} s"),
        "speedAtTime": phrase("{name} {speed} ± {error} m/s at {time} s"),
        "speedAtPlace": phrase("{name} {speed} ± {error} m/s at {place} m"),
        "gapWithError": phrase("gap {gap} ± {error} m"),
        "holder": phrase("baton with {name}"),
        "placeSlider": phrase("Place to read out, m, {of}"),
        "momentSlider": phrase("Moment to read out, s, {of}"),
        "point": phrase("Point at the figure, or move the slider, to read values."),
        "pick": phrase("Pick out one, or point at a curve, to read values."),
        "chosen": phrase("{one}: {values}"),
        # the lane from above
        "mark": phrase("incoming at the tape"),
        "go": phrase("outgoing goes"),
        "entry": phrase("incoming enters the zone"),
        "pass": phrase("the baton changes hands"),
        "exit": phrase("the baton leaves the zone"),
        "name-mark": column_word("moment", "mark"),
        "name-go": column_word("moment", "go"),
        "name-entry": column_word("moment", "entry"),
        "name-pass": column_word("moment", "pass"),
        "name-exit": column_word("moment", "exit"),
        "run": phrase("Run it, quarter speed"),
        "step": phrase("A tenth on"),
        "stop": phrase("Stop"),
        "runAloud": phrase("Run it, quarter speed, {of}"),
        "stepAloud": phrase("A tenth on, {of}"),
        "stopAloud": phrase("Stop, {of}"),
        "jumpAloud": phrase("To the moment: {moment}, {of}"),
        "laneSlider": phrase("Moment in the lane, s, {of}"),
        "still": phrase("{moment}, {time} s"),
        "entryLine": phrase("entry line"),
        "exitLine": phrase("exit line"),
        "backLine": phrase("back line"),
        "tape": phrase("tape"),
        "metres": phrase("{place} m"),
        "runnerInLane": phrase("{name} at {place} m, {speed} m/s"),
        "gap": phrase("gap {gap} m"),
        "lane": phrase("The lane from above: {values}"),
        "between": semicolon(),
        # the list
        "shown": phrase("Shown: {shown} of {all}."),
    }
    text = json.dumps(words, ensure_ascii=False, separators=(",", ":"))
    return element("p", {"id": "words", "hidden": ""}, text)


def read_page_file(file: str) -> str:
    """A style sheet or a script of the pages, as it lies in this package."""
    return (
        importlib.resources.files("pipeline.show.page").joinpath(file).read_text(encoding="utf-8")
    )


def page_script(files: Sequence[str]) -> str:
    """Scripts of the pages as one, whose names nobody outside sees."""
    return '"use strict";\n(() => {\n' + "\n".join(map(read_page_file, files)) + "})();\n"


def _page_style() -> str:
    light, dark = page_svg.theme_variables("light"), page_svg.theme_variables("dark")
    return (
        f":root{{{light}}}\n"
        f"@media screen and (prefers-color-scheme: dark)"
        f"{{:root:not([data-paper=light]){{{dark}color-scheme:dark}}}}\n"
        f"@media screen{{:root[data-paper=dark]{{{dark}color-scheme:dark}}}}\n"
        f"{page_svg.ink_rules()}{''.join(map(read_page_file, _STYLES))}"
    )


def radio_choice(group: str, legend: str, values: Iterable[tuple[str, str]]) -> ET.Element:
    labels: list[Child] = []
    for index, (value, words) in enumerate(values):
        checked = {} if index else {"checked": "checked"}
        given = {"type": "radio", "name": group, "value": value} | checked
        labels.append(element("label", {}, element("input", given), f" {words}"))
    return element("fieldset", {"class": "choice"}, element("legend", {}, legend), *labels)


def labelled_choice(words: str, control: ET.Element) -> ET.Element:
    label = element("label", {"for": control.get("id", "")}, words)
    return element("div", {"class": "choice"}, label, " ", control)
