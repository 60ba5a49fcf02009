"""The command plan: how to sample the pile that the sheet's ore comes from."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Optional

import typer

from flowsheet.commands.common import Json, Out, Seed, Sheet, fail, folder, print_result, progress, say_written, writing

if TYPE_CHECKING:
    from flowsheet.spec.text.units import Dimension

LEAST, MOST = 0.5, 0.999


def plan(
    file: Sheet,
    want: Annotated[
        Optional[str],  # noqa: UP045
        typer.Option("--want", metavar="SHARE", help='How far off the grade may be, as "20 %" (the default).'),
    ] = None,
    mass: Annotated[
        Optional[str],  # noqa: UP045
        typer.Option(
            "--mass", metavar="MASS", help="The rock that you can afford to run, as 50kg, in place of --want."
        ),
    ] = None,
    confidence: Annotated[
        str, typer.Option("--confidence", metavar="SHARE", help="The chance that it is no further off.")
    ] = "90 %",
    sacks: Annotated[
        Optional[int],  # noqa: UP045
        typer.Option("--sacks", min=1, max=1_000_000, help="Sacks in the pile, in place of the sheet's."),
    ] = None,
    seed: Seed = 1,
    as_json: Json = False,
    out: Out = None,
) -> None:
    """Plan how to sample the pile: how many sacks, what of each, how fine to break it before each split."""
    from flowsheet.solve.model import load
    from flowsheet.spec.text.units import MASS, SHARE
    from flowsheet.study.sampling.sampling_plan import WANT, Wish, planned

    if want is not None and mass is not None:
        fail("--want", "both a doubt and a mass are given", "Give --want for the least work, or --mass for the surest")
    chance = _number("--confidence", confidence, SHARE)
    if not LEAST <= chance <= MOST:
        fail("--confidence", f'read "{confidence}": this lies outside 50 to 99.9 %', "Write --confidence 90%")
    wanted = None if mass is not None else WANT if want is None else _number("--want", want, SHARE)
    if wanted is not None and not 0.001 <= wanted <= 2:
        fail("--want", f'read "{want}": this lies outside 0.1 to 200 %', 'Write --want "20 %"')
    afford = None if mass is None else _number("--mass", mass, MASS)
    sheet = load(file)[0]
    wish = Wish(wanted, afford, chance, sacks)
    found = planned(sheet, wish, seed, lambda starts: progress(starts, "piles"))
    if out is not None:
        from flowsheet.show.sampling.plan_plots import write_plan

        with writing(out):
            say_written(write_plan(found, folder(out)))
    if as_json:
        print_result(found.as_dict(), sheet.sources, seed)
    else:
        from flowsheet.show.sampling.plans import show_plan

        show_plan(sheet.title, found)


def _number(option: str, text: str, wanted: Dimension) -> float:
    """Read an option's number."""
    from flowsheet.spec.text import numbers

    try:
        return numbers.parse(text, wanted).value
    except numbers.NumberMistake as wrong:
        fail(option, f'read "{text}": {wrong.message}', wrong.remedy)
