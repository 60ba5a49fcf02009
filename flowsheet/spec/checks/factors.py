"""Factors: shares for the outlets of the step, which make one."""

from __future__ import annotations

from collections.abc import Iterator

from flowsheet.spec.blocks.factors import Band, OutletFactors
from flowsheet.spec.blocks.step import StepBlock
from flowsheet.spec.checks.draft import TOLERANCE, Draft, amiss
from flowsheet.spec.checks.streams import outlet_meant
from flowsheet.spec.text.mistakes import Mistake
from flowsheet.spec.yaml.marked_document import Path_


def factors_make_sense(draft: Draft) -> Iterator[Mistake]:
    """Factors name the step's own outlets, leave one out at most, and add up to one."""
    for name, step in draft.steps.items():
        if step is None:
            continue
        for field_name, factors in (("split", step.split), ("recovery", step.recovery)):
            if factors is None:
                continue
            path: Path_ = ("steps", name, field_name)
            if not amiss(step):
                yield from _outlet_faults(draft, path, factors, step)
            if factors.by_form and field_name == "split":
                yield draft.document.mistake(
                    path,
                    "only gold is free or locked, split is for the rock",
                    "Put free and locked under recovery:",
                    code="form_of_rock",
                )
            elif (factors.openings() or factors.by_form) and not draft.knows("sizes"):
                yield draft.document.mistake(
                    path,
                    "shares by size or form need the sizes of the ore",
                    "Give the ore sizes: {top: …, p80: …} and gold: {d50: …, d95: …}, or write one share",
                    code="shares_need_sizes",
                )
            elif factors.by_form and not draft.knows("grains"):
                yield draft.document.mistake(
                    path,
                    "shares by form need the sizes of the gold grains",
                    "Give the ore gold: {d50: …, d95: …}, or write one share for free and locked",
                    code="shares_need_grains",
                )


def _outlet_faults(draft: Draft, path: Path_, factors: OutletFactors, step: StepBlock) -> Iterator[Mistake]:
    known = list(step.outlets)
    strangers = [outlet for outlet in factors.outlets if outlet not in known]
    for outlet in strangers:
        like = outlet_meant(outlet, known, step)
        yield draft.document.name_mistake((*path, outlet), "the step has no such outlet", like, code="outlet_unknown")
    left = [outlet for outlet in known if outlet not in factors.outlets]
    if strangers:
        return
    if len(left) > 1:
        yield draft.document.mistake(
            path,
            f"{len(left)} outlets are left out ({', '.join(left)})",
            "Leave out one at most: it gets the rest",
            code="outlets_left_out",
        )
    else:
        yield from _sum_faults(draft, path, factors, rest=bool(left))


def _sum_faults(draft: Draft, path: Path_, factors: OutletFactors, rest: bool) -> Iterator[Mistake]:
    """The outlets' shares make one (or less, where an outlet gets the rest) at every size and form."""
    sizes = sorted({0.0, *factors.openings()})
    for form in ("free", "locked") if factors.by_form else (None,):
        for size in sizes:
            total = sum(b.share.value for b in factors.bands() if _covers(b, size, form))
            where = _where(size, sizes) + (f" for {form} gold" if form else "")
            if total > 1 + TOLERANCE:
                yield draft.document.mistake(
                    path, f"the shares make {100 * total:.6g} %{where}", "Bring them to 100 %, or below"
                    if rest else "Bring them to 100 %", code="shares_do_not_sum"
                )  # fmt: skip
                return
            if not rest and total < 1 - TOLERANCE:
                yield draft.document.mistake(
                    path,
                    f"the shares make {100 * total:.6g} %{where}",
                    "Bring them to 100 %, or leave an outlet out: it gets the rest",
                    code="shares_do_not_sum",
                )
                return


def _where(size: float, sizes: list[float]) -> str:
    """Say which sizes are meant, of those that begin at ``sizes``."""
    if len(sizes) == 1:
        return ""
    above = next((s for s in sizes if s > size), None)
    if above is None:
        return f" above {1e3 * size:g} mm"
    return f" from {1e3 * size:g} to {1e3 * above:g} mm" if size else f" below {1e3 * above:g} mm"


def _covers(band: Band, size: float, form: str | None) -> bool:
    return band.lower <= size * (1 + TOLERANCE) < band.upper and band.form in (None, form)
