"""The drawing of docs/filming.md: where a camera stands, to scale, on a bend and on a straight.

    python tests/tools/filming_drawing.py     writes docs/pictures/filming.svg

The tracks are those of pipeline.base.stadium; test_filming_drawing.py holds the file to this code.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path
from xml.etree import ElementTree as ET

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "support"))

import numpy as np
from checkout import ROOT

from pipeline.base.stadium import STANDARD, plan_xy, scratch_m, spot_xy
from pipeline.base.values import Floats
from pipeline.show.figures.figure import INKS, PAPER, ZONE
from pipeline.show.markup import element

DRAWING = ROOT / "docs" / "pictures" / "filming.svg"
LANE, ZONE_M, GAP_M, PASS_M = 4, 30.0, 1.2, 20.0
AROUND_M = 2.0  # of lane that is in view before the entry line and beyond the exit line
FROM_STRAIGHT_M = 30.0  # camera to lane
PIXELS_A_M = 7.6
WIDE, HIGH, TOP = 470.0, 455.0, 66.0
TYPE = 13.0
_QUIET, _PLAIN = INKS["quiet"].light, INKS["plain"].light


@dataclass(frozen=True)
class Ground:
    """One half of the drawing: a zone from `entry_s_m` along LANE, and a camera beside it.

    `turn_rad` turns the plan so that the zone's middle is straight above the camera."""

    title: str
    entry_s_m: float
    camera_m: Floats  # (2,) on the plan
    where: str

    @property
    def turn_rad(self) -> float:
        up = plan_xy(self.entry_s_m + ZONE_M / 2, LANE) - self.camera_m
        return float(np.pi / 2 - np.arctan2(up[1], up[0]))

    @property
    def distance_m(self) -> float:
        """From the camera to the middle of the zone."""
        return float(np.linalg.norm(plan_xy(self.entry_s_m + ZONE_M / 2, LANE) - self.camera_m))

    def seen_deg(self, s_m: float) -> float:
        """How far to the left of the middle a place of the lane is seen from the camera."""
        x, y = self.from_camera(np.array([s_m]), 0.0)[0]
        return float(np.degrees(np.arctan2(-x, y)))

    def view_deg(self) -> float:
        """The angle that the camera has to take in."""
        return self.seen_deg(ZONE_M + AROUND_M) - self.seen_deg(-AROUND_M)

    def from_camera(self, s_m: Floats, across_m: float) -> Floats:
        """(n, 2) metres right of the camera and ahead of it, of places past the entry line."""
        off = plan_xy(self.entry_s_m + s_m, LANE, across_m) - self.camera_m
        c, s = np.cos(self.turn_rad), np.sin(self.turn_rad)
        return off @ np.array([[c, s], [-s, c]])


def on_the_bend() -> Ground:
    entry = scratch_m("4x100", 3, LANE) - 20.0
    return Ground("On a bend (third zone)", entry, spot_xy("centre2", "4x100"), "bend's centre")


def on_the_straight() -> Ground:
    middle = STANDARD.bend_m(LANE) + STANDARD.straight_m / 2
    camera = plan_xy(middle, LANE, -FROM_STRAIGHT_M)
    return Ground("On a straight (a zone of cones)", middle - ZONE_M / 2, camera, "infield")


def filming_svg() -> str:
    """The whole drawing."""
    parts = [
        element("g", {"transform": f"translate({k * WIDE:g} 0)"}, *_ground_parts(ground))
        for k, ground in enumerate((on_the_bend(), on_the_straight()))
    ]
    svg = element(
        "svg",
        {
            "xmlns": "http://www.w3.org/2000/svg",
            "viewBox": f"0 0 {2 * WIDE:g} {HIGH:g}",
            "width": f"{2 * WIDE:g}",
            "height": f"{HIGH:g}",
            "font-family": "Liberation Sans, Arial, Helvetica, sans-serif",
            "font-size": f"{TYPE:g}",
            "role": "img",
            "aria-label": "Where the camera stands: on a bend at its centre, on a straight 30 m "
            "beside the middle of the zone. Entry line, exit line and both runners are in view.",
        },
        element("rect", {"width": "100%", "height": "100%", "fill": PAPER["light"]}),
        *parts,
    )
    ET.indent(svg)
    return ET.tostring(svg, encoding="unicode") + "\n"


# --- one half -----------------------------------------------------------------------------


def _ground_parts(ground: Ground) -> list[ET.Element]:
    camera_y = TOP + PIXELS_A_M * (ground.distance_m + _edge_m(9) + 1.0)

    def at(s_m: float, across_m: float = 0.0) -> tuple[float, float]:
        x, y = ground.from_camera(np.array([s_m]), across_m)[0]
        return WIDE / 2 + PIXELS_A_M * x, camera_y - PIXELS_A_M * y

    def path(s_m: Floats, across_m: float) -> str:
        return " ".join(f"{x:.1f},{y:.1f}" for x, y in (at(float(s), across_m) for s in s_m))

    camera = WIDE / 2, camera_y
    lane = np.linspace(-13.0, ZONE_M + 13.0, 57)
    zone = np.linspace(0.0, ZONE_M, 31)
    inner, outer = _edge_m(LANE), _edge_m(LANE + 1)
    seen = np.linspace(-AROUND_M, ZONE_M + AROUND_M, 35)
    wedge = f"{camera[0]:.1f},{camera[1]:.1f} {path(seen, 0.0)}"
    pass_word = at(PASS_M, outer + 6.4)
    out = [
        _word(ground.title, (12.0, 24.0), weight="bold"),
        element("polygon", {"points": wedge, "fill": INKS["incoming"].light, "opacity": "0.10"}),
        element(
            "polygon",
            {"points": f"{path(zone, inner)} {path(zone[::-1], outer)}", "fill": ZONE["light"]},
        ),
    ]
    out += [_polyline(path(lane, _edge_m(k)), _QUIET, 0.7) for k in range(1, 10)]
    out += [_line(camera, at(s_m), _QUIET, 0.8, "5 4") for s_m in (0.0, ZONE_M / 2, ZONE_M)]
    for s_m in (0.0, ZONE_M):
        out.append(_line(at(s_m, inner), at(s_m, outer), _PLAIN, 2.5))
        out += [_cone(at(s_m, edge)) for edge in (inner - 0.5, outer + 0.5)]
    out.append(_line((pass_word[0], pass_word[1] + 5.0), at(PASS_M, outer), _PLAIN, 0.8))
    for s_m, ink in ((PASS_M - GAP_M / 2, "incoming"), (PASS_M + GAP_M / 2, "outgoing")):
        x, y = at(s_m)
        out.append(
            element(
                "circle",
                {"cx": f"{x:.1f}", "cy": f"{y:.1f}", "r": "4", "fill": INKS[ink].light},
            )
        )
    out += [
        _word("entry line", at(0.0, outer + 5.6)),
        _word("exit line", at(ZONE_M, outer + 5.6), "end"),
        _word("pass", pass_word, "middle"),
        _word("incoming", at(PASS_M - 1.0, -6.6), ink=INKS["incoming"].light),
        _word("outgoing", at(PASS_M + 1.0, -6.6), "end", ink=INKS["outgoing"].light),
        *_running_arrow(at(4.0, outer + 2.0), at(9.0, outer + 2.0)),
        element(
            "path",
            {
                "d": f"M{camera[0] - 9:.1f} {camera[1]:.1f}h18v12h-18z"
                f"M{camera[0] - 4:.1f} {camera[1]:.1f}v-5h8v5z",
                "fill": _PLAIN,
            },
        ),
        _word("camera", (camera[0] + 16, camera[1] + 11), weight="bold"),
        _word(ground.where, (camera[0] - 16, camera[1] + 11), "end", ink=_QUIET),
        _word(
            f"{ground.distance_m:.0f} m", (camera[0] + 6, camera_y - PIXELS_A_M * 15.0), ink=_QUIET
        ),
        _word(
            f"{ground.view_deg():.0f}°", (camera[0] + 6, camera_y - PIXELS_A_M * 5.0), ink=_QUIET
        ),
        _line((20.0, HIGH - 16), (20 + 10 * PIXELS_A_M, HIGH - 16), _QUIET, 2.0),
        _word("10 m", (26 + 10 * PIXELS_A_M, HIGH - 12), ink=_QUIET),
    ]
    return out


def _edge_m(lane: int) -> float:
    """A lane's inner edge, metres to the right of the measured line of LANE."""
    return STANDARD.edge_m(lane) - STANDARD.measured_m(LANE)


def _running_arrow(
    start: tuple[float, float], end: tuple[float, float]
) -> tuple[ET.Element, ET.Element]:
    (x0, y0), (x1, y1) = start, end
    way = np.array([x1 - x0, y1 - y0]) / np.hypot(x1 - x0, y1 - y0)
    side = np.array([-way[1], way[0]])
    tip = np.array(end)
    corners = [tip, tip - 8 * way + 4 * side, tip - 8 * way - 4 * side]
    points = " ".join(f"{x:.1f},{y:.1f}" for x, y in corners)
    return _line(start, end, INKS["incoming"].light, 1.6), element(
        "polygon", {"points": points, "fill": INKS["incoming"].light}
    )


def _line(
    start: tuple[float, float], end: tuple[float, float], ink: str, width: float, dash: str = ""
) -> ET.Element:
    return _polyline(" ".join(f"{x:.1f},{y:.1f}" for x, y in (start, end)), ink, width, dash)


def _polyline(points: str, ink: str, width: float, dash: str = "") -> ET.Element:
    look = {"points": points, "fill": "none", "stroke": ink, "stroke-width": f"{width:g}"}
    return element("polyline", look | ({"stroke-dasharray": dash} if dash else {}))


def _cone(place: tuple[float, float]) -> ET.Element:
    x, y = place
    return element("path", {"d": f"M{x - 4:.1f} {y + 3:.1f}h8l-4 -8z", "fill": INKS["into"].light})


def _word(
    text: str, place: tuple[float, float], anchor: str = "start", *, ink: str = _PLAIN,
    weight: str = "normal",
) -> ET.Element:  # fmt: skip
    x, y = place
    look = {"x": f"{x:.1f}", "y": f"{y:.1f}", "text-anchor": anchor, "fill": ink}
    return element("text", look | ({} if weight == "normal" else {"font-weight": weight}), text)


if __name__ == "__main__":
    DRAWING.write_text(filming_svg(), encoding="utf-8")
