"""Numbers as a miner writes them: every spelling that is promised, and every refusal with its remedy."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tiers import examples

from flowsheet.spec.blocks.factors import OutletFactors, _read
from flowsheet.spec.text import mesh
from flowsheet.spec.text.number_with_doubt import LONGEST, Number, NumberMistake, doubted, parse
from flowsheet.spec.text.units import COUNT, FINENESS, GRADE, LENGTH, MASS, PLAIN, SHARE, Dimension

pytestmark = pytest.mark.smoke

# Factors by definition: NIST SP 811, Appendix B (grain 64.79891 mg, inch 25.4 mm).
GRAIN = 64.79891e-6
POUND, TROY, DWT, AVOIRDUPOIS = 7000 * GRAIN, 480 * GRAIN, 24 * GRAIN, 437.5 * GRAIN
SHORT_TON, LONG_TON = 2000 * POUND, 2240 * POUND
INCH = 0.0254

VALUES: list[tuple[Dimension, str, float]] = [
    # lengths
    *((LENGTH, text, 0.02) for text in ("20 mm", "20mm", "2 cm", "0.02 m", "20000 um", "20 MM", "20 millimetres",
                                         "20 millimeters", "+20 mm", "2e1 mm", "20. mm", "20 mm.", " 20  mm ")),
    *((LENGTH, text, 0.2e-3) for text in ("0.2 mm", ".2 mm", "200 um", "200 µm", "200 μm", "200 microns", "200 micron",
                                           "200 Microns", "200 micrometres")),
    (LENGTH, "5 um", 5e-6), (LENGTH, "25 microns", 25e-6), (LENGTH, "2 feet", 24 * INCH), (LENGTH, "2'", 24 * INCH),
    *((LENGTH, text, INCH / 2) for text in ("1/2 in", "1/2in", '1/2"', "½ in", '½"', "0.5 inches", "1/2 inch",
                                            "1/2-inch", "1/2 IN", "1⁄2 in", "1/2″", "1/2”", "0.5''")),
    *((LENGTH, text, 2.25 * INCH) for text in ("2 1/4 in", '2 1/4"', "2¼ in", "2 ¼ in", "2.25 inches", "9/4 in")),
    (LENGTH, "1 1/2in", 1.5 * INCH), (LENGTH, "2 inches", 2 * INCH),
    # sieves by name: the nominal aperture of ASTM E11, Table 1, and not the length that the name sounds like
    *((LENGTH, text, 0.85e-3) for text in ("#20", "# 20", "20 mesh", "20mesh", "20 Mesh", "20-mesh", "No. 20", "No.20",
                                            "no 20", "NO. 20")),
    (LENGTH, "200 mesh", 75e-6), (LENGTH, "#3 1/2", 5.6e-3), (LENGTH, "3.5 mesh", 5.6e-3), (LENGTH, "#4", 4.75e-3),
    (LENGTH, "E11 1/2 in", 12.5e-3), (LENGTH, 'E11 1/2"', 12.5e-3), (LENGTH, "e11 1 in", 25e-3),
    (LENGTH, "E11 2 1/2 inch", 63e-3), (LENGTH, "1 in", 25.4e-3),
    # masses
    *((MASS, text, 14.0) for text in ("14 kg", "14kg", "14 KG", "14 Kg", "14 kilograms", "14 kilogrammes", "14 kilos",
                                      "14 kgs", "14000 g", "14000 grams", "14000 gm", "0.014 t", "0.014 tonnes",
                                      "0.014 metric tons", "14\u00a0kg", "14\u202fkg", "14\u2009kg")),
    (MASS, "14.2kg", 14.2), (MASS, "100 mg", 1e-4), (MASS, "100 milligrams", 1e-4), (MASS, "7 ug", 7e-9),
    *((MASS, text, 3 * POUND) for text in ("3 lb", "3 lbs", "3 lb.", "3 lbs.", "3 pounds", "3 Pounds")),
    *((MASS, text, 2 * TROY) for text in ("2 ozt", "2 oz t", "2 oz. t.", "2 oz troy", "2 troy oz", "2 troy oz.",
                                          "2 troy ounces", "2 Troy Ounces", "2 troy ounce", "2 oz tr", "2 toz",
                                          "2 t oz", "2 tr oz", "2 ozt.", "2 OZT")),
    *((MASS, text, 2 * AVOIRDUPOIS) for text in ("2 oz av", "2 oz avdp", "2 avoirdupois ounces", "2 oz. av.")),
    *((MASS, text, 7 * DWT) for text in ("7 dwt", "7 dwts", "7 pennyweights", "7 pennyweight", "7 pwt")),
    (MASS, "15 gr", 15 * GRAIN), (MASS, "15 grains", 15 * GRAIN),
    *((MASS, text, 2 * SHORT_TON) for text in ("2 ton", "2 tons", "2 short tons")), (MASS, "2 long tons", 2 * LONG_TON),
    (MASS, "-14 kg", -14.0), (MASS, "−14 kg", -14.0), (MASS, "- 14 kg", -14.0),
    # grades
    *((GRADE, text, 22e-6) for text in ("22 g/t", "22g/t", "22 gpt", "22 GPT", "22 g/tonne", "22 grams per tonne",
                                        "22 g per t", "22 g / t", "22 ppm", "22 PPM", "22 mg/kg", "22000 ppb",
                                        "0.0022 %", "22 ug/g", "0.022 kg/t")),
    *((GRADE, text, 0.5 * TROY / SHORT_TON) for text in ("0.5 oz/ton", "0.5 ozt/ton", "0.5 oz per ton", "0.5 opt",
                                                         "0.5 troy oz/ton", "0.5 oz/short ton", "1/2 ounces per ton",
                                                         "0.5 troy ounces per short ton", "0.5 oz t/ton")),
    (GRADE, "0.5 oz/long ton", 0.5 * TROY / LONG_TON), (GRADE, "0.5 ozt/t", 0.5 * TROY / 1000),
    (GRADE, "0.5 oz/tonne", 0.5 * TROY / 1000), (GRADE, "5 dwt/ton", 5 * DWT / SHORT_TON),
    (GRADE, "5 dwt per long ton", 5 * DWT / LONG_TON), (GRADE, "24 g/short ton", 0.024 / SHORT_TON),
    # shares, counts, fineness, plain numbers
    *((SHARE, text, 0.8) for text in ("80 %", "80%", "80 percent", "80 per cent", "80 pct", "0.8", "4/5", "800 ‰")),
    *((FINENESS, text, 916.666667) for text in ("22 ct", "22 carats", "22 karat", "22 K", "22k", "22 kt")),
    *((FINENESS, text, 870.0) for text in ("870", "870 ‰", "87 %")),
    (PLAIN, "0.7", 0.7), (PLAIN, ".7", 0.7), (PLAIN, "7e-1", 0.7), (COUNT, "2", 2.0), (COUNT, "2.0", 2.0),
]  # fmt: skip


@pytest.mark.parametrize(("wanted", "text", "value"), VALUES, ids=[f"{d.name} {t}" for d, t, _ in VALUES])
def test_a_spelling_means_its_value(wanted, text, value):
    number = parse(text, wanted)
    assert number.value == pytest.approx(value, rel=1e-9)
    assert number.text == text
    assert not number.doubtful


@pytest.mark.parametrize(("name", "aperture"), mesh.E11_NUMBERS.items())
def test_every_mesh_number(name, aperture):
    assert parse(f"{name} mesh", LENGTH).value == pytest.approx(aperture / 1000, rel=1e-12)


@pytest.mark.parametrize(("name", "aperture"), mesh.E11_INCHES.items())
def test_every_inch_name(name, aperture):
    assert parse(f"E11 {name} in", LENGTH).value == pytest.approx(aperture / 1000, rel=1e-12)
    # A name is close to the length that it sounds like, and is not that length.
    assert parse(f"{name} in", LENGTH).value == pytest.approx(aperture / 1000, rel=0.02)


# ── doubt ───────────────────────────────────────────────────────────────────────────────────────────────────

DOUBTS: list[tuple[Dimension, str, float, float]] = [
    *((MASS, text, 14.2, 0.02) for text in ("14.2 kg ± 20 g", "14.2 kg +/- 20 g", "14.2 kg +- 20 g", "14.2 kg±20g",
                                            "14.2 kg ± 0.02 kg", "14.2 ± 0.02 kg", "14.2 kg ± 0.02", "14200 ± 20 g")),
    (MASS, "14.2 kg ± 5 %", 14.2, 0.71), (MASS, "-14.2 kg ± 5 %", -14.2, 0.71),
    (GRADE, "22 g/t ± 8 g/t", 22e-6, 8e-6), (GRADE, "22 ± 8 g/t", 22e-6, 8e-6), (GRADE, "22 g/t ± 8", 22e-6, 8e-6),
    (GRADE, "22 g/t ± 10 %", 22e-6, 2.2e-6), (GRADE, "22 g/t ± 10%", 22e-6, 2.2e-6),
    (GRADE, "22 g/t ± 10 percent", 22e-6, 2.2e-6), (LENGTH, "20 mesh ± 10 %", 0.85e-3, 0.085e-3),
    (LENGTH, "#20 ± 0.1 mm", 0.85e-3, 0.1e-3), (LENGTH, "1/2 ± 1/16 in", INCH / 2, INCH / 16),
    # Of a value in percent, percent are points: of the whole, not of the value.
    (GRADE, "2 % ± 0.1 %", 0.02, 0.001), (GRADE, "2 % ± 0.1", 0.02, 0.001), (GRADE, "2 pct ± 0.1 percent", 0.02, 0.001),
    (FINENESS, "87 % ± 2 %", 870, 20), (SHARE, "80 percent ± 5 percent", 0.8, 0.05),
    (SHARE, "80 % ± 5 %", 0.8, 0.05), (SHARE, "80 ± 5 %", 0.8, 0.05), (SHARE, "80 % ± 5", 0.8, 0.05),
    (SHARE, "0.82 ± 0.05", 0.82, 0.05),
    (FINENESS, "870 ± 20", 870, 20), (FINENESS, "870 ± 2 %", 870, 17.4), (FINENESS, "22 ± 1 ct", 22000 / 24, 1000 / 24),
    (PLAIN, "0.7 ± 10 %", 0.7, 0.07), (PLAIN, "0.7 ± 0.1", 0.7, 0.1), (COUNT, "3 ± 1", 3, 1),
    (COUNT, "3 ± 0.5", 3, 0.5), (FINENESS, "870 ± 1", 870, 1),
]  # fmt: skip


@pytest.mark.parametrize(("wanted", "text", "value", "sd"), DOUBTS, ids=[f"{d.name} {t}" for d, t, _, _ in DOUBTS])
def test_a_standard_deviation(wanted, text, value, sd):
    number = parse(text, wanted)
    assert number.value == pytest.approx(value, rel=1e-12)
    assert number.sd == pytest.approx(sd, rel=1e-12)
    assert number.low is None
    assert number.doubtful


RANGES: list[tuple[Dimension, str, float, float]] = [
    (SHARE, "0.7 to 0.9", 0.7, 0.9), (SHARE, "70 to 90 %", 0.7, 0.9), (SHARE, "70 % to 90 %", 0.7, 0.9),
    (LENGTH, "20 to 25 mm", 0.02, 0.025), (LENGTH, "20 TO 25 mm", 0.02, 0.025), (LENGTH, "20 mm to 1 in", 0.02, INCH),
    (LENGTH, "#20 to #10", 0.85e-3, 2e-3), (MASS, "3 lb to 2 kg", 3 * POUND, 2), (FINENESS, "87 to 89 %", 870, 890),
]  # fmt: skip


@pytest.mark.parametrize(("wanted", "text", "low", "high"), RANGES, ids=[t for _, t, _, _ in RANGES])
def test_an_even_spread(wanted, text, low, high):
    number = parse(text, wanted)
    assert (number.low, number.high) == (pytest.approx(low, rel=1e-12), pytest.approx(high, rel=1e-12))
    assert number.value == pytest.approx((low + high) / 2, rel=1e-12)
    # The standard deviation of an even spread is its width over the root of twelve.
    assert number.sd == pytest.approx((high - low) / math.sqrt(12), rel=1e-9)
    assert number.doubtful


@pytest.mark.parametrize(("wanted", "text", "value"), [
    (LENGTH, "20 mm ± 0", 0.02), (LENGTH, "20 mm ± 0 %", 0.02), (SHARE, "80 % ± 0 %", 0.8), (SHARE, "0.8 ± 0", 0.8),
    (GRADE, "2 % ± 0 %", 0.02), (SHARE, "0 % to 0 %", 0.0), (LENGTH, "20 to 20 mm", 0.02),
])  # fmt: skip
def test_a_doubt_of_nothing_makes_a_number_exact(wanted, text, value):
    number = parse(text, wanted)
    assert (number.value, number.sd, number.low, number.high) == (value, 0.0, None, None)
    assert not number.doubtful


@pytest.mark.parametrize(("wanted", "text", "most"), [
    (SHARE, "98 % ± 3 %", 1.0), (GRADE, "22 g/t ± 8 g/t", 1.0), (FINENESS, "980 ± 30", 1000.0),
    (MASS, "3 kg ± 2 kg", math.inf), (LENGTH, "0.7 to 0.9 mm", math.inf),
])  # fmt: skip
def test_no_draw_may_pass_what_the_quantity_can_be(wanted, text, most):
    number = parse(text, wanted)
    assert (number.least, number.most) == (0.0, most)


@pytest.mark.parametrize(("wanted", "text", "law", "amount", "doubt", "unit"), [
    (MASS, "14.2 kg", "none", "14.2 kg", None, "kg"), (MASS, "14.2 kg ± 0", "exact", "14.2 kg", "0 kg", "kg"),
    (GRADE, "22 ± 8 g/t", "normal", "22 g/t", "8 g/t", "g/t"),
    (GRADE, "22 g/t ± 10 %", "normal", "22 g/t", "10 %", "g/t"),
    (LENGTH, "20 mm to 1 in", "even", "20 mm", "1 in", "mm"), (LENGTH, "#20 ± 0.1 mm", "normal", "#20", "0.1 mm", "mm"),
    (LENGTH, "½ in", "none", "1/2 in", None, "in"), (SHARE, "0.8", "none", "0.8", None, ""),
    (SHARE, "0.7 to 0.9", "even", "0.7", "0.9", ""), (FINENESS, "22 ct", "none", "22 ct", None, "ct"),
])  # fmt: skip
def test_a_number_holds_what_is_written(wanted, text, law, amount, doubt, unit):
    number = parse(text, wanted)
    assert (number.law, str(number.amount), number.unit[0]) == (law, amount, unit)
    assert (None if number.doubt is None else str(number.doubt)) == doubt
    assert number.told_doubt == (doubt is not None)
    assert (number.dimension, number.is_share) == (wanted, wanted is SHARE)
    # Its amount in its unit is its value, of a range its lower end.
    assert number.amount.number * number.unit[1] == pytest.approx(number.value if number.low is None else number.low)


@pytest.mark.parametrize(("wanted", "text", "sd"), [
    (MASS, "14.2 kg", "20 g"), (MASS, "14.2 kg", "0.02"), (GRADE, "22 g/t", "10 %"), (SHARE, "80", "5 %"),
    (SHARE, "80 %", "5"), (GRADE, "2 %", "0.1 %"), (LENGTH, "#20", "0.1 mm"),
])  # fmt: skip
def test_a_doubt_that_stands_beside_a_number_is_as_one_behind_it(wanted, text, sd):
    assert doubted(parse(text, wanted), sd) == parse(f"{text} ± {sd}", wanted)


def test_a_number_shows_what_was_written():
    assert str(parse("14.2 kg ± 20 g", MASS)) == "14.2 kg ± 20 g"
    assert str(Number(0.25)) == "0.25"
    assert float(parse("80 %", SHARE)) == 0.8


# ── refusals ────────────────────────────────────────────────────────────────────────────────────────────────

REFUSED: list[tuple[Dimension, str, str, str]] = [
    # no unit, another one, none known
    (LENGTH, "20", "a length needs its unit", 'Write "20 mm"'),
    (LENGTH, "2 1/4", "a length needs its unit", 'Write "2 1/4 in" (inches) or "2 1/4 mm"'),
    (LENGTH, "3/4", "a length needs its unit", 'Write "3/4 in" (inches) or "3/4 mm"'),
    # a share in %, a bare doubt that may be a fraction or so many %
    (SHARE, "80 % ± 0.05", "the share is in %, the doubt is not", 'Write "80 % ± 5 %" or "80 % ± 0.05 %"'),
    (SHARE, "0.5 % +/- .2", "the share is in %, the doubt is not", 'Write "0.5 % ± 20 %" or "0.5 % ± 0.2 %"'),
    # a mass alone, where a grade is wanted
    *((GRADE, text, "so much gold in so much rock", 'Write "0.6 oz/ton"')
      for text in ("0.6 oz", "0.6 ounces", "0.6 ozt", "0.6 troy oz", "0.6 oz ± 0.1 oz")),
    (GRADE, "7 dwt", "so much gold in so much rock", 'Write "7 dwt/ton"'),
    (GRADE, "22 g", "so much gold in so much rock", 'Write "22 g/t"'),
    (MASS, "14", "a mass needs its unit", 'Write "14 kg"'),
    (GRADE, "22", "a grade needs its unit", 'Write "22 g/t"'),
    (GRADE, "22 ± 10 %", "a grade needs its unit", 'Write "22 g/t"'),
    (MASS, "14 ± 5 %", "a mass needs its unit", 'Write "14 kg"'),
    (LENGTH, "20 kg", "a mass, where a length is wanted", "20 mm"),
    (MASS, "20 mm", "a length, where a mass is wanted", "14.2 kg"),
    (MASS, "20 g/t", "a grade, where a mass is wanted", "14.2 kg"),
    (MASS, "20 %", "a share, where a mass is wanted", "14.2 kg"),
    (SHARE, "20 g/t", "a grade, where a share is wanted", "80 %"),
    (SHARE, "20 ppm", "a grade, where a share is wanted", "80 %"),
    (PLAIN, "3 kg", "a mass, where a plain number is wanted", "0.7"),
    (MASS, "22 ct", '"ct" is no unit known here', "The units of a mass are"),
    (MASS, "20 mesh", "a mesh number, where a mass is wanted", "14.2 kg"),
    (LENGTH, "20 mmm", '"mmm" is no unit known here', 'Did you mean "mm"?'),
    (LENGTH, "20 furlongs", '"furlongs" is no unit known here', "mesh"),
    (GRADE, "22 g/t/t", "no unit known here", 'Did you mean "g/t"?'),
    (LENGTH, "20 M", '"M" is no unit', 'Did you mean "m"?'),
    (MASS, "3 lb 4 oz", "no unit known here", "one number with one unit"),
    (PLAIN, "1:30", "no unit known here", "without a unit"),
    (PLAIN, "0x10", "no unit known here", "without a unit"),
    # two meanings
    *((MASS, text, "is ambiguous", 'write "ozt" (troy, 31.1 g) or "oz av"')
      for text in ("5 oz", "5 oz.", "5 Oz", "5 ounces")),
    (GRADE, "5 oz/kg", "is ambiguous", '"ozt"'),
    (GRADE, "0.5 oz/t", "is ambiguous", '"oz/ton" (short) or "g/t"'),
    (GRADE, "22 g/ton", "is ambiguous", '"g/t" or "g/short ton"'),
    (MASS, "3 Mg", "is ambiguous", "mg"),
    (SHARE, "0.8 ± 5 %", "the doubt is in %, the share is not", '"80 % ± 5 %" or "0.8 % ± 5 %"'),
    (FINENESS, "0.87", "parts in a thousand", "Did you mean 870?"),
    (MASS, "1,400 kg", "a comma stands inside", '"1400 kg" or "1.400 kg"'),
    # no number
    (LENGTH, "", "nothing is written here", '"#20"'),
    (MASS, "  ", "nothing is written here", "14.2 kg"),
    (MASS, "14,2 kg", "a comma stands inside", 'a point: "14.2 kg"'),
    (MASS, "1,400.5 kg", "a comma stands inside", '"1400.5 kg"'),
    (MASS, "1,400,000 kg", "a comma stands inside", '"1400000 kg"'),
    (MASS, "1 400 kg", "a blank stands inside", 'Write "1400 kg"'),
    (MASS, "14 200 g", "a blank stands inside", 'Write "14200 g"'),
    (MASS, "1 200 300.5 kg", "a blank stands inside", 'Write "1200300.5 kg"'),
    (MASS, "1 40 kg", "a blank stands inside", "1400 and not 1 400"),
    (LENGTH, "“20 mesh”", "curly quotes", 'Write "20 mesh" with straight quotes'),
    (LENGTH, "‘#20’", "curly quotes", 'Write "#20" with straight quotes'),
    *((MASS, text, "no number that a scale", "14.2 kg")
      for text in ("nan", ".nan", "NaN kg", "inf", "-.inf", "infinity kg")),
    (MASS, "1e999 kg", "too large for a mass", "14.2 kg"),
    (MASS, "1e308 t", "too large for a mass", "14.2 kg"),
    (MASS, "1e-999 kg", "too small for a mass", "14.2 kg"),
    (MASS, "1e-320 mg", "too small for a mass", "14.2 kg"),
    (MASS, "1 kg ± 1e-999 kg", "too small for a mass", "14.2 kg"),
    (LENGTH, "1/0 in", "divides by nothing", "below the line"),
    (MASS, "about 14 kg", "stands before the number", "±"),
    (MASS, "~14 kg", "stands before the number", "±"),
    (LENGTH, "< 20 mm", "stands before the number", "±"),
    (LENGTH, "mm", "this is not a length", "20 mm"),
    (LENGTH, "2-1/4 in", "a hyphen stands inside", '"2 1/4 in"'),
    (LENGTH, "20-25 mm", "with the word to", '"20 to 25 mm"'),
    (SHARE, "70 – 90 %", "with the word to", '"70 to 90 %"'),
    (LENGTH, "25 to 20 mm", "runs backwards", "smaller number first"),
    (MASS, "1 kg ± 1e200 kg", "larger than a mass can be", "14.2 kg ± 10 %"),
    (SHARE, "80 % ± 150 %", "larger than a share can be", "80 % ± 5 %"),
    (MASS, "0,33 g", "a comma stands inside", 'Write a point: "0.33 g"'),
    (MASS, "0,333 g", "a comma stands inside", 'Write a point: "0.333 g"'),
    (LENGTH, "20 mm ± 1 mm ± 2 mm", "more than one doubt", "one doubt"),
    (LENGTH, "20 mm to 30 mm to 40 mm", "more than one doubt", "one doubt"),
    (LENGTH, "20 mm ± -1 mm", "is negative", "without a sign"),
    (MASS, "1e300 kg ± 1e200 %", "", "14.2 kg"),
    (COUNT, "2.5", "a whole number", "2"),
    (COUNT, "2 kg", "a mass, where a whole number", "2"),
    # sieves that there are not
    (LENGTH, "#21", "ASTM E11 has no 21 mesh", "18 mesh (1 mm) and 20 mesh (0.85 mm)"),
    (LENGTH, "1000 mesh", "ASTM E11 has no 1000 mesh", "500 mesh (0.025 mm) and 635 mesh (0.02 mm)"),
    (LENGTH, "E11 1/3 in", "ASTM E11 has no 1/3 in sieve", "3/8"),
    (LENGTH, "E11 3/4", "no name of a sieve", "E11 1/2 in"),
    (LENGTH, "-200 mesh", "a sign stands before a mesh number", "Write 200 mesh"),
    (LENGTH, "x" * (LONGEST + 1), "", "20 mm"),
]  # fmt: skip


@pytest.mark.parametrize(
    ("wanted", "text", "message", "remedy"), REFUSED, ids=[f"{d.name} {t[:30]}" for d, t, *_ in REFUSED]
)
def test_a_refusal_says_what_to_write(wanted, text, message, remedy):
    with pytest.raises(NumberMistake) as caught:
        parse(text, wanted)
    assert message in caught.value.message
    assert remedy in caught.value.remedy
    assert not caught.value.message.endswith(".")


DIMENSIONS = [LENGTH, MASS, GRADE, SHARE, PLAIN, COUNT, FINENESS]
PIECES = ["1", "20", "0", ".5", "1/2", "1/0", "1e999", "1e308", "-", "+", "–", " ", ",", "±", "+/-", " to ", "#",
          "mesh", "mm", "kg", "oz", "t", "/", "ton", " per ", "%", "‰", "ct", "E11 ", "in", '"', "½", "⁄", "nan", "inf",
          "٣", "²", "µ", "\x00", "{", "K", "M", "M" * 200]  # fmt: skip


@settings(deadline=None, derandomize=True, max_examples=examples(600))
@given(text=st.text(max_size=30) | st.lists(st.sampled_from(PIECES), max_size=8).map("".join),
       wanted=st.sampled_from(DIMENSIONS))  # fmt: skip
def test_any_text_is_a_finite_number_or_a_number_mistake(text, wanted):
    try:
        number = parse(text, wanted)
    except NumberMistake as wrong:
        told = wrong
    else:
        assert all(map(math.isfinite, (number.value, number.sd)))
        assert number.sd >= 0
        return
    assert told.message
    assert told.remedy


@settings(deadline=None, derandomize=True, max_examples=examples(300))
@given(value=st.floats(1e-6, 1e6), unit=st.sampled_from(["kg", "g", "lb", "ozt", "dwt", "t", "long ton"]))
def test_doubt_scales_with_the_unit_as_the_value_does(value, unit):
    number = parse(f"{value!r} {unit} ± {value / 4!r}", MASS)
    assert number.value == pytest.approx(parse(f"{value!r} {unit}", MASS).value, rel=1e-12)
    assert number.sd == pytest.approx(number.value / 4, rel=1e-9)


# ── shares by size and form ─────────────────────────────────────────────────────────────────────────────────


def bands(given: dict[str, object]) -> list[tuple[float, float, float, str | None]]:
    factors = _read({"out": given})
    assert isinstance(factors, OutletFactors)
    return [(b.lower, b.upper, b.share.value, b.form) for b in factors.outlets["out"]]


def test_shares_by_size_meet_at_their_limits():
    assert bands({"+20 mm": "95 %", "20 mm to 1 mm": "90 %", "-1 mm": "5 %"}) == [
        (0.02, math.inf, pytest.approx(0.95), None),
        (pytest.approx(0.001), 0.02, pytest.approx(0.9), None),
        (0.0, pytest.approx(0.001), pytest.approx(0.05), None),
    ]


@pytest.mark.parametrize("key", ["20 to 1 mm", "1 mm to 20 mm", "1 to 20 mm"])
def test_a_size_range_may_be_written_either_way_and_lend_its_unit(key):
    assert bands({"+20 mm": "95 %", key: "90 %", "-1 mm": "5 %"})[1][:2] == (pytest.approx(0.001), pytest.approx(0.02))


def test_sizes_may_be_mesh_numbers_and_inches():
    (above, below) = bands({"+20 mesh": "95 %", "-#20": "5 %"})
    assert above[0] == below[1] == pytest.approx(0.85e-3)
    assert bands({'+1/2"': "95 %", "-1/2 in": "5 %"})[0][0] == pytest.approx(INCH / 2)


def test_form_and_size_nest_either_way_round():
    inside = bands({"free": {"+1 mm": "90 %", "-1 mm": "40 %"}, "locked": "10 %"})
    outside = bands({"+1 mm": {"free": "90 %", "locked": "10 %"}, "-1 mm": {"free": "40 %", "locked": "10 %"}})
    assert {(b[2], b[3]) for b in inside} == {(b[2], b[3]) for b in outside}
