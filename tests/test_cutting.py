"""Cutting a rock with a band: exact numbers against points thrown at random, limits, and the command."""

from __future__ import annotations

import csv
import json
from functools import partial
from pathlib import Path

import numpy as np
import pytest
from commands import Command

from flowsheet.study.rocks.slabs import ACROSS, ALONG, Cut, Rock, cut

PNG = b"\x89PNG\r\n\x1a\n"
ROCK = Rock(0.12, 0.09, 0.07, 0.006)
ANGLES = (0.0, 12.0, 30.0, 60.0, 90.0)
SAWS = ((0.003, 0.001), (0.008, 0.001), (0.008, 0.002), (0.005, 0.008), (0.010, 0.002), (0.2, 0.002))


def thrown(rock: Rock, angle: float, slab: float, kerf: float, offsets: int, points: int) -> dict[str, np.ndarray]:
    """Return by offset: the share of band and rock in kerfs, by points thrown; and faces, those that show the band."""
    rng = np.random.default_rng(7)
    turn, pitch = np.radians(angle), slab + kerf
    normal = np.array([-np.sin(turn), np.cos(turn)])
    corners = np.array([(x, y) for x in (-0.5, 0.5) for y in (-0.5, 0.5)])
    at = np.arange(offsets) * pitch / offsets + pitch / offsets * rng.random(offsets)
    out: dict[str, np.ndarray] = {}
    for name, high in (("band", rock.band), ("rock", rock.high)):
        place = (rng.random((points, 2)) - 0.5) * (rock.long, high) @ normal
        out[name] = np.array([np.mean((place - o) % pitch < kerf) for o in at])
        ends = corners * (rock.long, high) @ normal
        many = int(0.3 / pitch) + 2
        planes = at[:, None] + np.concatenate([pitch * np.arange(-many, many), kerf + pitch * np.arange(-many, many)])
        out[f"{name} faces"] = ((planes > ends.min()) & (planes < ends.max())).sum(axis=1)
    starts = at[:, None] + pitch * np.arange(-many, many)
    out["slabs"] = np.maximum(((starts + kerf > ends.min()) & (starts < ends.max())).sum(axis=1) - 1, 0)
    return out


@pytest.mark.parametrize("angle", ANGLES)
@pytest.mark.parametrize(("slab", "kerf"), SAWS)
def test_against_points_thrown_at_random(angle: float, slab: float, kerf: float) -> None:
    ours, theirs = cut(ROCK, angle, slab, kerf), thrown(ROCK, angle, slab, kerf, 400, 4000)
    for range_, name, near in (
        (ours.band_lost, "band", 0.02),
        (ours.rock_lost, "rock", 0.02),
        (ours.showing, "band faces", 0.02),
        (ours.faces, "rock faces", 0.02),
        (ours.slabs, "slabs", 0.02),
    ):
        assert range_.mean == pytest.approx(theirs[name].mean(), abs=near), name
        assert range_.sd == pytest.approx(theirs[name].std(), abs=near), name
        assert range_.least == pytest.approx(theirs[name].min(), abs=0.04), name
        assert range_.most == pytest.approx(theirs[name].max(), abs=0.04), name
    assert ours.hidden + ours.all_swarf == pytest.approx((theirs["band faces"] == 0).mean(), abs=0.01)
    assert ours.all_swarf == pytest.approx((theirs["band"] == 1).mean(), abs=0.01)


def shown_by_strips(rock: Rock, angle: float, slab: float, kerf: float, offset: float) -> float:
    """Return the band's area on all faces by walking each cutting line through the rock in small steps."""
    turn, pitch, total = np.radians(angle), slab + kerf, 0.0
    along = np.linspace(-0.1, 0.1, 40_001)
    for k in range(-int(0.15 / pitch) - 2, int(0.15 / pitch) + 3):
        for at in (offset + k * pitch, offset + k * pitch + kerf):
            x = along * np.cos(turn) - at * np.sin(turn)
            z = along * np.sin(turn) + at * np.cos(turn)
            inside = (np.abs(x) < rock.long / 2) & (np.abs(z) < rock.band / 2)
            total += inside.mean() * 0.2 * rock.wide
    return total


@pytest.mark.parametrize("angle", ANGLES)
def test_the_area_shown(angle: float) -> None:
    slab, kerf = 0.008, 0.002
    ours = cut(ROCK, angle, slab, kerf)
    walked = [shown_by_strips(ROCK, angle, slab, kerf, o) for o in (np.arange(40) + 0.5) * (slab + kerf) / 40]
    assert ours.shown.mean == pytest.approx(float(np.mean(walked)), rel=0.01)
    assert ours.shown.least == pytest.approx(min(walked), abs=3e-4)
    assert ours.shown.most == pytest.approx(max(walked), abs=3e-4)
    assert ours.largest == pytest.approx(0.09 * {0.0: 0.12, 90.0: 0.006}.get(angle, ours.largest / 0.09), rel=1e-12)


@pytest.mark.parametrize("angle", ANGLES)
@pytest.mark.parametrize(("slab", "kerf"), SAWS)
def test_means_are_the_same_whatever_the_lie(angle: float, slab: float, kerf: float) -> None:
    one, pitch = cut(ROCK, angle, slab, kerf), slab + kerf
    assert one.band_lost.mean == pytest.approx(kerf / pitch, rel=1e-9)
    assert one.rock_lost.mean == pytest.approx(kerf / pitch, rel=1e-9)
    assert one.shown.mean == pytest.approx(2 * ROCK.long * ROCK.wide * ROCK.band / pitch, rel=1e-9)


def test_along_by_closed_forms() -> None:
    for slab, kerf in SAWS:
        one, pitch, t = cut(ROCK, ALONG, slab, kerf), slab + kerf, ROCK.band
        whole, rest = divmod(t, pitch)
        assert one.band_lost.least == pytest.approx((whole * kerf + max(rest - slab, 0)) / t, abs=1e-9)
        assert one.band_lost.most == pytest.approx((whole * kerf + min(rest, kerf)) / t, abs=1e-9)
        assert one.showing.mean == pytest.approx(2 * t / pitch, rel=1e-9)
        assert one.hidden == pytest.approx(max(slab - t, 0) / pitch, abs=1e-12)
        assert one.shown.most == pytest.approx(one.showing.most * ROCK.long * ROCK.wide, rel=1e-9)


def test_across_every_face_shows_the_band() -> None:
    for slab, kerf in SAWS:
        one = cut(ROCK, ACROSS, slab, kerf)
        assert one.showing == one.faces
        assert one.shown.mean == pytest.approx(one.faces.mean * ROCK.wide * ROCK.band, rel=1e-9)
        assert one.band_lost.least == pytest.approx(one.rock_lost.least, abs=1e-9)


def test_limits() -> None:
    thin = cut(ROCK, ALONG, 0.008, 1e-9)
    assert thin.band_lost.most < 1e-5
    assert thin.rock_lost.mean < 1e-6
    full = cut(Rock(0.12, 0.09, 0.07, 0.07 - 1e-9), 25.0, 0.008, 0.002)
    assert full.band_lost.least == pytest.approx(full.rock_lost.least, abs=1e-6)
    assert full.band_lost.most == pytest.approx(full.rock_lost.most, abs=1e-6)

    def told(one: Cut) -> tuple[float, ...]:
        return (one.band_lost.mean, one.band_lost.least, one.band_lost.most, one.shown.mean, one.hidden)

    assert told(cut(ROCK, 1e-4, 0.008, 0.002)) == pytest.approx(told(cut(ROCK, ALONG, 0.008, 0.002)), abs=2e-3)
    assert told(cut(ROCK, 90 - 1e-4, 0.008, 0.002)) == pytest.approx(told(cut(ROCK, ACROSS, 0.008, 0.002)), abs=2e-3)
    none = cut(Rock(0.02, 0.02, 0.02, 0.006), ALONG, 0.03, 0.001)
    assert none.slabs.most == 0


# ── the command ─────────────────────────────────────────────────────────────────────────────────────────────

ASKED = ("--rock", "120 x 90 x 70 mm", "--band", "6mm", "--slab", "3mm,8 mm", "--kerf", "1, 2mm")


@pytest.fixture
def flowsheet(flowsheet: Command) -> Command:
    return partial(flowsheet, "cut")


def test_the_command_as_json(flowsheet: Command) -> None:
    code, out, _ = flowsheet(*ASKED, "--lie", "30", "--json")
    told = json.loads(out, parse_constant=pytest.fail)
    assert code == 0
    assert told["rock_mm"] == pytest.approx([120, 90, 70])
    assert [(c["way"], c["slab_mm"], c["kerf_mm"]) for c in told["cuts"]][:4] == [
        ("along", 3, 1), ("across", 3, 1), ("at 30°", 3, 1), ("along", 3, 2)]  # fmt: skip
    assert len(told["cuts"]) == 12
    assert told["cuts"][0]["band_to_swarf"]["mean"] == pytest.approx(0.25)
    assert told["cuts"][0]["largest_on_a_face_cm2"] == pytest.approx(108)


def test_the_command_in_words(flowsheet: Command, tmp_path: Path) -> None:
    code, out, err = flowsheet(*ASKED, "--out", "here")
    assert code == 0
    assert max(map(len, out.splitlines())) <= 100
    text = " ".join(out.split())
    assert "Across it (3 mm slabs and 1 mm kerf): all 60 sawn faces show it" in text
    assert (
        "cut along (8 mm slabs and 1 mm kerf) and let the first cut graze the band's edge: it shows all 108 cm2" in text
    )
    assert "silica" in text
    assert {line.removeprefix("Wrote ") for line in err.splitlines()} == {"here/cuts.csv", "here/cuts.png"}
    assert (tmp_path / "here/cuts.png").read_bytes().startswith(PNG)
    with (tmp_path / "here/cuts.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 8
    assert float(rows[0]["Band to swarf"]) == pytest.approx(0.25)
    _, out, _ = flowsheet("--rock", "120mm", "--band", "30mm", "--slab", "8mm", "--kerf", "1mm")
    assert "thicker than any of these slabs" in out
    _, out, _ = flowsheet("--rock", "20mm", "--band", "6mm", "--slab", "30mm", "--kerf", "1mm")
    assert "No slab is had" in out


@pytest.mark.parametrize(
    ("option", "text", "told"),
    [
        ("--rock", "120", "A length needs its unit."),
        ("--rock", "120 x 90 mm", "2 sizes are given."),
        ("--rock", "5mm", "The band is as thick as the rock (5 mm across the band). Write less, as --band 1.25mm."),
        ("--band", "0mm", "A length above zero is wanted."),
        ("--band", "6mm ± 1mm", "One length is wanted, without a doubt."),
        ("--slab", "", "Nothing is written here."),
        ("--slab", ",".join(f"{i}mm" for i in range(1, 41)), "80 combinations of slab and kerf."),
        ("--kerf", "-1mm", "A length above zero is wanted."),
        ("--lie", "acros", 'Did you mean "across"? Or write the degrees'),
        ("--lie", "120", "The angle between two planes lies between 0 and 90 degrees."),
    ],
)
def test_what_the_command_refuses(flowsheet: Command, option: str, text: str, told: str) -> None:
    arguments = [*ASKED, "--lie", "across"]
    arguments[arguments.index(option) + 1] = text
    code, out, err = flowsheet(*arguments)
    assert (code, out) == (2, "")
    assert err.startswith("--")
    assert told.casefold() in err.casefold()
