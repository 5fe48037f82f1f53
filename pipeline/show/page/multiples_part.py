"""Small multiples: all takeovers of a page side by side on one scale of place and speed, with the
pair's usual in grey behind each. The curves are those of the takeovers' own figures."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from xml.etree import ElementTree as ET

from pipeline.language.phrases import phrase
from pipeline.show.figures import overlays, page_svg
from pipeline.show.figures.figure import Curve
from pipeline.show.figures.overlays import OverlayScales
from pipeline.show.markup import element
from pipeline.show.page import takeover_list
from pipeline.show.scenes import Scene, at_full_speed
from pipeline.show.wording import cost_words

LEAST = 2  # takeovers worth laying side by side


def multiples_section(
    ordered: Sequence[Scene], scales: Mapping[takeover_list.Alike, OverlayScales]
) -> ET.Element | None:
    """The section; None with fewer than two takeovers to draw. `scales` are the figures'
    axes."""
    if sum(not overlays.has_no_curves(one) for one in ordered) < LEAST:
        return None
    usual = _usual_curves(ordered, scales)
    cells = [
        _multiple(one, number, usual[_comparable(one)], scales[takeover_list.alike(one)])
        for number, one in enumerate(ordered, 1)
        if not overlays.has_no_curves(one)
    ]
    caption = phrase(
        "Speed over the zone, entry and exit line as strokes, the pass as a dot on each curve. "
        "Grey behind: the mean speed of the baton in this pair's takeovers on this page."
    )
    return element(
        "section",
        {"id": "multiples", "aria-labelledby": "multiples-head"},
        element("h2", {"id": "multiples-head"}, phrase("All on one scale")),
        element("p", {"class": "notes"}, caption),
        element("ul", {"class": "multiples"}, *cells),
    )


def _comparable(one: Scene) -> tuple[object, ...]:
    return takeover_list.pair_in_event(one), takeover_list.alike(one)


def _usual_curves(
    ordered: Sequence[Scene], scales: Mapping[takeover_list.Alike, OverlayScales]
) -> dict[tuple[object, ...], Curve | None]:
    """What is usual of each pair, in zones of one length."""
    found: dict[tuple[object, ...], list[Scene]] = {}
    for one in ordered:
        found.setdefault(_comparable(one), []).append(one)
    return {
        key: overlays.usual_curve(at_full_speed(own), scales[takeover_list.alike(own[0])])
        for key, own in found.items()
    }


def _multiple(one: Scene, number: int, usual: Curve | None, scales: OverlayScales) -> ET.Element:
    link = takeover_list.takeover_link(one, number)
    link.append(page_svg.draw_small(overlays.small_overlay(one, usual, scales)))
    cost = None if one.lost is None else element("small", {}, cost_words(one.lost))
    given = {"class": "multiple failed" if one.failed else "multiple"}
    return element("li", given, link, " ", cost)
