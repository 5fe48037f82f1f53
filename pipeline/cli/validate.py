"""The command that says how far to believe the figures: validate.

It parses its options, calls `advise.decisions`, has `show.publish` draw the figure and prints what
came of it. `app` registers it.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pipeline.cli import terminal
from pipeline.cli.decision_words import give_decisions
from pipeline.cli.options import OutArgument, PrintOnlyOption
from pipeline.cli.terminal import value_with_error

if TYPE_CHECKING:
    from pipeline.advise.decisions import ValidationDecision
    from pipeline.advise.validation import Agreement

WORST_SHOWN = 5
FAR_OFF_SHOWN = 20

VALIDATE_EXAMPLE = "Example:\n\nbatontrace validate out"


def run_validate(
    out: OutArgument,
    to: Annotated[
        Path | None,
        typer.Option(
            "--to",
            metavar="FIGURE.svg|png",
            help="The figure to write. (default: OUT/report/validation.png)",
        ),
    ] = None,
    print_only: PrintOnlyOption = False,
) -> None:
    """Say how far to believe the figures: what was held out against what was measured.

    It rests on films, gates and stopwatches with use = "check" in session.toml; docs/filming.md
    tells how to get them.
    """
    from pipeline.advise import decisions
    from pipeline.show import report_files

    report_files.check_picture_name(to)
    found = decisions.decide_validation(out, write=not print_only)
    _print_agreements(found)
    files: dict[str, object] = {"figure": None, "figure_in_seconds": None}
    if to is not None or not print_only:
        files = _draw(out, found, to)
    give_decisions(out, found, print_only, **files)


def _print_agreements(found: ValidationDecision) -> None:
    from pipeline.advise import validation

    groups = found.agreements.groups
    terminal.print_table(
        ["seen", "rows", "reps", "bias", "rms", "ratio", ">2", ">3", "far"],
        [
            (
                validation.subject_words(one),
                str(len(one.checks.sd)),
                str(len(set(one.checks.takeovers))),
                value_with_error(one.bias.value, one.bias.sd, one.decimals),
                validation.size_words(one, one.rms),
                value_with_error(one.ratio.value, one.ratio.sd, 2),
                str(one.beyond(2)),
                str(one.beyond(3)),
                str(int(one.far_off.sum())),
            )
            for one in groups
        ],
        right=(1, 2, 3, 4, 5, 6, 7, 8),
    )
    terminal.say(
        "Bias: seen less measured, on average. Rms: how far off, bias and all. Ratio: of that to "
        "the stated standard errors; 1 is honest. >2, >3: beyond so many of them. Far: misread "
        "perhaps, and left out. ± is one standard error."
    )
    terminal.print_list("What it means", [validation.conclude(one) for one in groups])
    lead = found.agreements.lead_m
    if lead is not None:
        terminal.say(f"{validation.lead_words(lead)}; that is taken out of what is said of gates.")
    terminal.print_list("Worst", _worst_lines(groups))
    terminal.print_list("Remarks", found.remarks)


def _worst_lines(groups: tuple[Agreement, ...]) -> list[str]:
    """The observations farthest off in standard errors: all that were left out, and some more."""
    rows = [
        (abs(float(one.checks.z[k])), bool(one.far_off[k]), one, k)
        for one in groups
        if one.gate is None
        for k in range(len(one.checks.sd))
    ]
    rows.sort(key=lambda row: (-row[1], -row[0]))
    left_out = sum(far for _, far, _, _ in rows)
    shown = rows[: max(WORST_SHOWN, min(left_out, FAR_OFF_SHOWN))]
    return [
        f"{one.checks.session[k]}, takeover {one.checks.exchange[k]}, "
        f"{one.checks.gate[k] or one.checks.event[k]} by {one.checks.observer[k]} "
        f"(line {one.checks.line[k]}): {one.checks.difference[k]:+.{one.decimals}f} {one.unit}, "
        f"{z:.1f} standard errors" + (", far off" if far else "")
        for z, far, one, k in shown
    ]


def _draw(out: str, found: ValidationDecision, to: Path | None) -> dict[str, object]:
    from pipeline.advise import validation
    from pipeline.show import publish
    from pipeline.show.figures.held_out_strips import Strip

    strips = [
        Strip(
            f"{validation.subject_words(one)}: {validation.size_words(one, one.rms)}, "
            f"ratio {value_with_error(one.ratio.value, one.ratio.sd, 2)}",
            one.checks.z,
            one.far_off,
        )
        for one in found.agreements.groups
        if one.gate is None
    ]
    lead = found.agreements.lead_m
    notes = [] if lead is None else [f"{validation.lead_words(lead)}; that is taken out."]
    figure = publish.write_agreement(out, strips, notes, to=to)
    terminal.say(f"Figure: {figure}")
    judged = validation.validation_table(found.agreements).to_pylist()
    seconds = publish.write_checks(out, judged, to=to)
    if seconds is not None:
        terminal.say(f"In seconds: {seconds}")
    return {"figure": figure, "figure_in_seconds": seconds}
