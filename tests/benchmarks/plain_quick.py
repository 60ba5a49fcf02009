"""The yardstick: the sheet of configs/quick.yaml as a flat script in plain numpy, as one would write it by hand.

The same equations on the same grid, with the sheet's numbers and the steps' defaults written in. It takes
nothing from flowsheet. ``plain_quick()`` returns {stream: (rock in kg, gold in kg)}.
"""

from __future__ import annotations

import math

import numpy as np

R20_3 = [90, 63, 45, 31.5, 22.4, 16, 11.2, 8, 5.6, 4, 2.8, 2, 1.4, 1, 0.71, 0.5, 0.355, 0.25, 0.18, 0.125, 0.09,
         0.063, 0.045, 0.032]  # fmt: skip

POINTS, WEIGHTS = np.polynomial.legendre.leggauss(48)
ERF = np.frompyfunc(math.erf, 1, 1)


def plain_quick() -> dict[str, tuple[float, float]]:
    # The grid: from the top size down, with the screen's opening.
    upper = np.array([100, *sorted([*R20_3, 20], reverse=True)]) / 1000
    n = len(upper)
    lower = np.append(upper[1:], upper[-1] / 2)
    size = np.sqrt(upper * lower)

    # The ore: 14.2 kg of 22 g/t, p80 60 mm, slope 0.7, 4 % heavies; gold d50 0.35 mm, d95 1.6 mm, 870 fine.
    passing = np.minimum(1, 0.8 * (upper / 0.060) ** 0.7)
    passing[0] = 1
    rock = 14.2 * (passing - np.append(passing[1:], 0))
    z = np.log(upper[1:] / 0.35e-3) / (math.log(1.6 / 0.35) / 1.6448536269514722)
    through = np.concatenate([[1], 0.5 * (1 + ERF(z / math.sqrt(2)).astype(float)), [0]])
    grains = through[:-1] - through[1:]
    x = size[:, None] / size[None, :]
    still = np.where(x > 1, (1 - 1 / np.maximum(x, 1)) ** 3, 0)
    locked = 22e-6 * rock[:, None] * grains[None, :] * still
    free = 22e-6 * rock.sum() * grains - locked.sum(axis=0)
    light, heavy = 0.96 * rock, 0.04 * rock
    fineness = 0.870
    density = 1 / (fineness / 19300 + (1 - fineness) / 10490)
    grain = math.pi / 6 * size**3 * density * fineness
    streams = {"ore": (light, heavy, free, locked)}

    # scalp: a screen of 20 mm, open area 0.6, 300 presentations.
    bottom = np.append(upper[1:], upper[-1] / 4)
    d = bottom[:, None] * (upper / bottom)[:, None] ** ((POINTS + 1) / 2)
    clear = np.maximum(1 - d / 0.020, 0)
    stays = np.exp(300 * np.log1p(-0.6 * clear * clear)) @ (WEIGHTS / 2)
    lumps = (light * stays, heavy * stays, free * stays, locked * stays[:, None])
    fines = (light * (1 - stays), heavy * (1 - stays), free * (1 - stays), locked * (1 - stays)[:, None])
    streams["lumps"], streams["fines"] = lumps, fines

    # look: grains of 0.3 mm and more are seen with care 0.8, if they show.
    light, heavy, free, locked = lumps
    rocks = (light / 2650 + heavy / 5000) / (math.pi / 6 * size**3)
    shows = np.where(x > 2, 1 - (1 - 2 / np.maximum(x, 2)) ** 3, 1)
    seen = shows * np.where(size >= 0.3e-3, 0.8, 0)
    number = locked / grain / np.where(rocks > 0, rocks, 1)[:, None]
    blind = np.exp(-(number * seen).sum(axis=1))
    passed_over = 1 - np.where(size >= 0.3e-3, 0.8, 0)
    left = (light * blind, heavy * blind, free * passed_over, locked * (1 - seen) * blind[:, None])
    streams["plain lumps"] = left
    streams["specimens"] = tuple(whole - part for whole, part in zip(lumps, left, strict=True))

    # break and powder: Whiten's crusher at 6 mm, then at 0.2 mm.
    now = tuple(a + b for a, b in zip(left, fines, strict=True))
    for name, gap in (("crushed", 6e-3), ("powder", 0.2e-3)):
        light, heavy, free, locked = now
        inside = np.clip((2.2 * gap - size) / ((2.2 - 0.7) * gap), 0, 1)
        chance = 1 - inside**2.3
        chance[-1] = 0
        ratio = np.minimum(upper[:, None] / upper[None, :], 1)
        below = 0.3 * ratio**0.6 + 0.7 * ratio**4
        share = np.tril(below - np.vstack([below[1:], np.zeros(n)]), -1)
        total = share.sum(axis=0)
        share = share / np.where(total > 0, total, 1)
        product = (1 - chance)[:, None] * np.linalg.inv(np.eye(n) - share * chance)
        began = np.where(still > 0, locked / np.where(still > 0, still, 1), 0)
        bound = still * (product @ began)
        now = (product @ light, product @ heavy, free + locked.sum(axis=0) - bound.sum(axis=0), bound)
        streams[name] = now

    # wash: a pan of 98 %, d50 60 µm, m 2, with 50 % of the heavies and 1 % of the light.
    light, heavy, free, locked = now
    kept = 0.98 / (1 + (60e-6 / size) ** 2)
    bound = 0.01 + np.minimum(size[None, :] / size[:, None], 1) ** 3 * np.maximum(kept - 0.01, 0)[:, None]
    con = (0.01 * light, 0.5 * heavy, free * kept, locked * bound)
    streams["con"] = con
    streams["tails"] = (0.99 * light, 0.5 * heavy, free * (1 - kept), locked * (1 - bound))
    found = {name: (float(m[0].sum() + m[1].sum()), float(m[2].sum() + m[3].sum())) for name, m in streams.items()}

    # melt and fire: all rock to the slag; 1 % of the gold with it, then 0.43 % to the cupel.
    slagged, gold = found["con"]
    found["button"], found["slag"] = (0.0, 0.99 * gold), (slagged, 0.01 * gold)
    found["bead"], found["cupel loss"] = (0.0, 0.99 * gold * (1 - 0.0043)), (0.0, 0.99 * gold * 0.0043)
    return found


if __name__ == "__main__":
    for stream, (rock, gold) in plain_quick().items():
        print(f"{stream:12} {rock:9.4f} kg  {1e3 * gold:9.6f} g of gold")
