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
from pipeline.language.numbers import localised, localised_numbers
from pipeline.language.phrases import phrase, reworded

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
    with terminal.at_work(phrase("compares")):
        found = decisions.decide_validation(out, write=not print_only)
    _print_agreements(found)
    files: dict[str, object] = {"figure": None, "figure_in_seconds": None}
    if to is not None or not print_only:
        files = _draw(out, found, to)
    give_decisions(out, found, print_only, **files)


def _print_agreements(found: ValidationDecision) -> None:
    """What it means, then the figures behind it."""
    from pipeline.advise import validation

    groups = found.agreements.groups
    terminal.print_list(
        phrase("What it means"), [reworded(validation.conclude(one)) for one in groups]
    )
    terminal.print_table(
        [
            phrase("seen"),
            phrase("reps"),
            phrase("bias"),
            phrase("rms"),
            phrase("ratio"),
            phrase("far"),
        ],
        [
            (
                reworded(validation.subject_words(one)),
                str(len(set(one.checks.takeovers))),
                value_with_error(one.bias.value, one.bias.sd, one.decimals),
                localised_numbers(validation.size_words(one, one.rms)),
                value_with_error(one.ratio.value, one.ratio.sd, 2),
                str(int(one.far_off.sum())),
            )
            for one in groups
        ],
        right=(1, 2, 3, 4, 5),
    )
    terminal.say(
        phrase(
            "Bias: seen less measured, on average. Rms: how far off, bias and all. Ratio: of that "
            "to the stated standard errors; 1 is honest. Far: misread perhaps, and left out. ± is "
            "one standard error."
        )
    )
    if terminal.is_long():
        terminal.print_table(
            [
                phrase("seen"),
                phrase("rows"),
                phrase("beyond 2 standard errors"),
                phrase("beyond 3 standard errors"),
            ],
            [
                (
                    reworded(validation.subject_words(one)),
                    str(len(one.checks.sd)),
                    str(one.beyond(2)),
                    str(one.beyond(3)),
                )
                for one in groups
            ],
            right=(1, 2, 3),
        )
    lead = found.agreements.lead_m
    if lead is not None:
        terminal.say(
            phrase(
                "{lead}; that is taken out of what is said of gates.",
                lead=reworded(validation.lead_words(lead)),
            )
        )
    terminal.print_list(phrase("Worst"), _worst_lines(groups))
    terminal.print_list(phrase("Remarks"), map(reworded, found.remarks), terminal.SOME)


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
    return [_worst_line(one, k, z, far) for z, far, one, k in shown]


def _worst_line(one: Agreement, k: int, z: float, far: bool) -> str:
    values = {
        "session": one.checks.session[k],
        "number": one.checks.exchange[k],
        "seen": reworded(one.checks.gate[k] or one.checks.event[k]),
        "observer": one.checks.observer[k],
        "line": one.checks.line[k],
        "difference": localised(f"{one.checks.difference[k]:+.{one.decimals}f} {one.unit}"),
        "z": z,
    }
    if far:
        return phrase(
            "{session}, takeover {number}, {seen} by {observer} (line {line}): {difference}, "
            "{z:.1f} standard errors, far off",
            **values,
        )
    return phrase(
        "{session}, takeover {number}, {seen} by {observer} (line {line}): {difference}, {z:.1f} "
        "standard errors",
        **values,
    )


def _draw(out: str, found: ValidationDecision, to: Path | None) -> dict[str, object]:
    from pipeline.advise import validation
    from pipeline.show import publish
    from pipeline.show.figures.held_out_strips import Strip

    strips = [
        Strip(
            phrase(
                "{seen}: {size}, ratio {ratio}",
                seen=reworded(validation.subject_words(one)),
                size=localised_numbers(validation.size_words(one, one.rms)),
                ratio=value_with_error(one.ratio.value, one.ratio.sd, 2),
            ),
            one.checks.z,
            one.far_off,
        )
        for one in found.agreements.groups
        if one.gate is None
    ]
    lead = found.agreements.lead_m
    notes = []
    if lead is not None:
        notes = [phrase("{lead}; that is taken out.", lead=reworded(validation.lead_words(lead)))]
    figure = publish.write_agreement(out, strips, notes, to=to)
    terminal.say(phrase("Figure: {path}", path=figure))
    judged = validation.validation_table(found.agreements).to_pylist()
    seconds = publish.write_checks(out, judged, to=to)
    if seconds is not None:
        terminal.say(phrase("In seconds: {path}", path=seconds))
    return {"figure": figure, "figure_in_seconds": seconds}
