"""Conservation, checked by code that shares nothing with the solver: it adds up the arrays that a solution holds.

What goes into a step comes out of it or is caught in its loop; what is fed to the sheet leaves it or is caught;
solids, gold and silver each; and no array holds anything negative or infinite.
"""

from __future__ import annotations

from typing import Any

import numpy as np

CLOSED = 1e-12
"""Largest relative gap of a balance."""
NOTHING = 1e-15
"""A negative mass of this share of the feed is rounding."""
ARRAYS = ("light", "heavy", "free", "locked")


def check(solution: Any) -> None:
    """Fail where a solution breaks conservation, or holds what no stream can carry."""
    sheet = solution.model.sheet
    taken = [stream for step in sheet.steps.values() for stream in step.takes]
    given = [stream for step in sheet.steps.values() for stream in step.outlets.values()]
    assert sorted(solution.streams) == sorted([*sheet.ores, *given]), "not every stream was solved"
    held = {caught.stream: caught.material for caught in solution.caught}
    assert len(held) == len(solution.caught), "a stream was caught twice"
    assert set(held) <= set(given)
    for what in ("solids", "gold", "silver"):
        if what == "silver":
            carried, caught = solution.silver.streams, solution.silver.caught
        else:
            carried = {name: amount(material, what) for name, material in solution.streams.items()}
            caught = {name: amount(material, what) for name, material in held.items()}
        fluxes = {name: flux(solution, name) if what == "solids" else 0.0 for name in sheet.steps}
        fed = sum(carried[name] for name in sheet.ores) + sum(fluxes.values())
        ends = [name for name in carried if name not in taken]
        gap(fed, sum(carried[name] for name in ends) + sum(caught.values()), fed, f"{what} of the sheet")
        for name, step in sheet.steps.items():
            into = sum(carried[stream] for stream in step.takes) + fluxes[name]
            out = sum(carried[stream] + caught.get(stream, 0.0) for stream in step.outlets.values())
            gap(into, out, np.maximum(into, fed), f"{what} of {name}")
    everything = {**solution.streams, **{f"{name} (caught)": material for name, material in held.items()}}
    fed = {what: sum(amount(solution.streams[name], what) for name in sheet.ores) for what in ("solids", "gold")}
    for name, material in everything.items():
        for array in ARRAYS:
            values = getattr(material, array)
            least = -NOTHING * np.max(fed["solids" if array in ("light", "heavy") else "gold"])
            assert np.all(np.isfinite(values)), f"{name}: {array} is not finite"
            assert np.all(values >= least), f"{name}: {array} is negative ({values.min()})"
    _check_silver(solution)


def _check_silver(solution: Any) -> None:
    """Fail where silver is not that of the ores' gold, or is negative or infinite."""
    silver = solution.silver
    assert sorted(silver.streams) == sorted(solution.streams)
    assert sorted(silver.caught) == sorted(caught.stream for caught in solution.caught)
    for name in solution.model.sheet.ores:
        gold, fineness = amount(solution.streams[name], "gold"), solution.inputs.fineness[name]
        assert np.allclose(silver.streams[name] * fineness, gold * (1 - fineness), rtol=CLOSED, atol=0)
    for name, value in [*silver.streams.items(), *silver.caught.items()]:
        assert np.all(np.isfinite(value)), f"{name}: silver is not finite"
        assert np.all(value >= 0), f"{name}: silver is negative"


def flux(solution: Any, step: str) -> Any:
    """Return the mass of flux that a step adds, in each draw."""
    return vars(solution.inputs.values[step]).get("flux", 0.0)


def amount(material: Any, what: str) -> Any:
    """Return the solids or the gold of a material, by plain sums over its classes."""
    if what == "solids":
        return np.sum(material.light, axis=-1) + np.sum(material.heavy, axis=-1)
    return np.sum(material.free, axis=-1) + np.sum(np.sum(material.locked, axis=-1), axis=-1)


def gap(into: Any, out: Any, whole: Any, where: str) -> None:
    """Fail where ``out`` is not ``into``, relative to ``whole``."""
    into, out, whole = np.broadcast_arrays(into, out, whole)
    assert np.all(out[whole == 0] == 0), f"{where}: something came out of nothing"
    relative = np.abs(into - out)[whole > 0] / whole[whole > 0]
    assert np.all(relative <= CLOSED), f"{where}: gap {relative.max():.2e}"
