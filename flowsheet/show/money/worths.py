"""What a sack and the pile are worth, on the terminal: ways to sell, break-even grades, partings, doubts."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from flowsheet.show.text.figures import closes, grade, mass, percent, short, sig
from flowsheet.show.text.line_width import filled
from flowsheet.show.text.tables import Column, Grid
from flowsheet.show.text.terminal import console, print_table
from flowsheet.study.common.units_out import grams, millimetres
from flowsheet.study.money.cutoff import ScreenAndCutoff
from flowsheet.study.money.result import WayWorth, Worths

MOST_WAYS = 12
"""Ways that the table shows."""
CLEAR = 2 / 3
"""A way that is best in so many draws is called the best, though the interval of its lead may hold nothing."""
LITTLE = 0.01
"""A gain below this part of what is left is not worth a change."""

RULES = (
    "An estimate from your own prices, costs and weights, not a resource statement or an assay certificate, and no "
    "offer: have an accredited laboratory assay before you sell by grade. Taxes are not counted."
)


def money(value: float) -> str:
    """Return an amount of money: whole from 100 on, else with cents; thousands with commas."""
    text = f"{abs(value):,.0f}" if abs(value) >= 100 else f"{abs(value):,.2f}"
    return f"−{text}" if value < 0 and text.strip("0.,") else text


def span(found: Any, currency: str) -> str:
    """Return an amount with the ends between which it lies nine times in ten."""
    return f"{money(found.mean)} {currency} ({money(found.p5)} to {money(found.p95)})"


def ways(found: Worths, pile: bool) -> Grid:
    """Return the ways to sell, best first, for the pile or for one sack sold alone."""
    unit = found.currency
    columns = (
        Column("Way"),
        Column(f"Income, {unit}", money),
        Column(f"Costs, {unit}", money),
        Column(f"Left, {unit}", money),
        Column(f"5 %, {unit}", money),
        Column(f"95 %, {unit}", money),
        *((Column(f"A sack, {unit}", money),) if pile else ()),
        Column("Pays, %", _share),
        Column("Best, %", _share),
    )
    rows = []
    for way in found.ways[:MOST_WAYS]:
        one = way.pile if pile and way.pile is not None else way.sack
        each = (one.net.mean / (found.sacks or 1.0),) if pile else ()
        rows.append((way.name, one.income, one.costs, one.net.mean, one.net.p5, one.net.p95, *each, one.pays, one.best))
    whole = f"The pile, {_sacks(found.sacks or 0)} of {mass(found.sack_mass)}"
    title = whole if pile else f"One sack of {mass(found.sack_mass)}, sold alone"
    return Grid("ways_pile" if pile else "ways_sack", title, columns, rows)


def sales(found: Worths, way: WayWorth) -> Grid:
    """Return what each sale of a way brings."""
    unit = found.currency
    columns = (
        Column("Sold as"),
        Column("Streams"),
        Column("Mass, kg", _sig),
        Column("Gold, g", _sig),
        Column(f"Price, {unit}", money),
        Column(f"Kept back, {unit}", money),
        Column(f"Paid out, {unit}", money),
    )
    rows = [
        (
            f"{s.name} ({s.kind})",
            ", ".join(s.streams),
            s.mass,
            grams(s.gold),
            s.gross,
            s.kept_back,
            s.gross - s.kept_back,
        )
        for s in way.counts.sales
    ]
    return Grid("sales", f"What is sold: {way.name}", columns, rows)


def steps(found: Worths, way: WayWorth) -> Grid:
    """Return what each step of a way costs."""
    unit = found.currency
    columns = (
        Column("Step"),
        Column("Takes, kg", _sig),
        Column(f"Labour, {unit}", money),
        Column(f"Consumables, {unit}", money),
        Column(f"Power, {unit}", money),
        Column(f"In all, {unit}", money),
    )
    rows: list[tuple[Any, ...]] = [
        (s.step, s.takes, s.labour, s.consumables, s.power, s.labour + s.consumables + s.power)
        for s in way.counts.steps
    ]
    return Grid("costs", f"What the work costs: {way.name}", columns, rows)


def splits(found: Worths) -> Grid:
    """Return each opening of a screen with the best parting of its picked rocks."""
    unit = found.currency
    columns = (
        Column("Screen"),
        Column("Opening, mm", short),
        Column("Looked over, kg", _sig),
        Column("Sell picked rocks"),
        Column("Sold, kg", _sig),
        Column(f"Left, {unit}", money),
        Column(f"Gained, {unit}", _more),
    )
    rows = [
        (s.screen, millimetres(s.opening), s.looked_over, _kept(s), s.kept, s.net, s.gain)
        for s in sorted(found.splits, key=lambda s: (s.screen, -s.opening))
    ]
    return Grid(
        "partings",
        "Openings of the screen, and which picked rocks to sell there (in the middle of the doubts)",
        columns,
        rows,
    )


def doubts(found: Worths) -> Grid:
    """Return the parts of the doubt about what is left, largest first."""
    columns = (Column("Doubt"), Column("in the sheet"), Column("Part of the doubt, %", _share))
    rows: list[tuple[Any, ...]] = [(d.name, d.text, d.share) for d in found.doubts]
    if found.luck_share >= 0.005:
        rows.append(("luck with grains", "", found.luck_share))
    title = f"What the doubt comes from: {found.doubted}"
    return Grid("worth_doubts", title, columns, sorted(rows, key=lambda r: -r[2]))


def _kept(split: ScreenAndCutoff) -> str:
    if split.keep_above is None:
        return "none: crush them"
    return "all" if split.keep_above == 0 else f"those over {short(millimetres(split.keep_above))} mm"


def _sig(value: float) -> str:
    return sig(value) if value >= 1e-6 or value == 0 else "<0.000001"


def _share(share: float) -> str:
    return percent(share).removesuffix(" %").replace("under ", "<")


def _more(value: float) -> str:
    text = money(value)
    return f"+{text}" if value > 0 and text.strip("0.,") else text


def answers(found: Worths) -> Iterator[tuple[str, str]]:
    """Return (question, answer): the best way, whether working up pays, the screen, single rocks, the doubt."""
    yield "Which way pays best?", best_way(found)
    if found.break_even is not None:
        yield "Does it pay to work the ore up?", working_up(found)
    if found.splits:
        yield "Where should the screen lie, and which picked rocks are better sold?", parting(found)
    if found.crush is not None:
        yield "Sell a picked rock, or crush it?", single_rock(found)
    yield "How sure is that?", doubt(found)


def best_way(found: Worths) -> str:
    """Say which way leaves most, and by how much."""
    best, one = found.best, found.best.counts
    what = f"the pile of {_sacks(found.sacks)}" if found.sacks else f"a sack of {mass(found.sack_mass)}"
    if one.net.mean <= 0:
        text = (
            f"None: every way costs more than it brings, and leaving it costs nothing. Of {what}, {best.name} loses "
            f"least: {span(one.net, found.currency)} are left."
        )
    elif toss_up(found):
        return f"{_about_the_same(found, what)}{_too_small(found)}"
    else:
        text = f"{best.name}: it leaves {span(one.net, found.currency)} of {what}, after all costs and fees."
        if found.sacks:
            text += f" That is {money(one.net.mean / found.sacks)} {found.currency} a sack."
    if found.margin is not None:
        text += (
            f" The next, {found.ways[1].name}, leaves {span(found.ways[1].counts.net, found.currency)}; the first is "
            f"ahead by {span(found.margin, found.currency)}, and of all ways the best in {_chances(one.best)}."
        )
    return f"{text}{_too_small(found)}"


def toss_up(found: Worths) -> bool:
    """Whether the draws do not tell the two ways apart that leave most."""
    clear = max(way.counts.best for way in found.ways[:2]) >= CLEAR
    return found.margin is not None and found.margin.p5 < 0 < found.margin.p95 and not clear


def _about_the_same(found: Worths, what: str) -> str:
    """Say of the two ways that leave most what each does, and which is the surer."""
    one, other = found.ways[:2]
    surer, less = sorted((one, other), key=lambda way: (-way.counts.pays, way.counts.net.sd))
    left = [f"{way.name} leaves {span(way.counts.net, found.currency)}" for way in (one, other)]
    loses = [f"{100 * (1 - way.counts.pays):.0f}" for way in (surer, less)]
    why = (
        "its interval is the narrower"
        if loses[0] == loses[1]
        else f"it loses money in {loses[0]} of 100 draws, {less.name} in {loses[1]}"
    )
    return (
        f"About the same: of {what}, after all costs and fees, {left[0]}, {left[1]}. {surer.name} is the surer ({why})."
    )


def _sacks(number: float) -> str:
    return f"{number:g} sack{'' if number == 1 else 's'}"


def _too_small(found: Worths) -> str:
    """Say where a sack alone gives less than a buyer takes, or than the charges of its own lot."""
    told = []
    for way in found.ways:
        for sale in way.sack.sales:
            if sale.refused > 0.5:
                told.append(f"{sale.name} of one sack is less than the buyer takes")
            elif sale.kept_back > sale.gross > 0:
                told.append(f"the charges on {sale.name} of one sack are more than it brings")
    if not told:
        return ""
    return f" Sold alone, {' and '.join(dict.fromkeys(told))}: put several sacks into one lot."


def working_up(found: Worths) -> str:
    """Say from which grade on working up pays, and beats the raw sale."""
    even = found.break_even
    if even is None:
        return ""
    now = f"yours is {grade(even.grade_now)}"
    if even.pays_costs is None:
        text = f"{even.way} pays its costs at no grade that makes sense ({now})."
    elif even.pays_costs == 0:
        text = f"Yes: {even.way} pays its costs at any grade ({now})."
    else:
        yes = "Yes" if even.grade_now > even.pays_costs else "No"
        text = f"{yes}: {even.way} pays its costs from {grade(even.pays_costs)} on; {now}."
    if not even.raw:
        return text
    if even.beats_raw is None:
        return f"{text} It beats {even.raw} at no grade that makes sense."
    if even.beats_raw == 0:
        return f"{text} It beats {even.raw} at any grade."
    return f"{text} It beats {even.raw} from {grade(even.beats_raw)} on."


def parting(found: Worths) -> str:
    """Say which opening and parting leave most."""
    best = max(found.splits, key=lambda split: split.net)
    own = abs(found.best.counts.net.mean) or 1.0
    if best.gain <= LITTLE * own:
        return "As they are: no other opening, and no parting of the picked rocks by size, leaves noticeably more."
    told = {"all": "sell all that is picked", "none: crush them": "crush all that is picked"}.get(
        _kept(best), f"sell of the picked rocks {_kept(best)} and crush the others"
    )
    opening = short(millimetres(best.opening))
    return (
        f"With {best.screen} at {opening} mm, {told}: that leaves {money(best.gain)} {found.currency} "
        f"more than the sheet as it is, and {mass(best.looked_over)} are to be looked over."
    )


def single_rock(found: Worths) -> str:
    """Say from which gold content on a picked rock is better crushed."""
    one = found.crush
    if one is None:
        return ""
    return (
        f"Of {one.stream}, a rock that holds more than {sig(grams(one.grade))} g of gold in a kilogram is worth more "
        f"crushed ({percent(one.recovered)} of its gold would be sold as metal), any other as it is. On average they "
        f"hold {sig(grams(one.usual))} g in a kilogram. Weigh it in air and in water to tell (flowsheet specimen)."
    )


def doubt(found: Worths) -> str:
    """Say where the doubt is from."""
    way = next(way for way in found.ways if way.name == found.doubted)
    text = f"{way.name} leaves more than nothing in {_chances(way.counts.pays)}."
    rows = doubts(found).rows
    if not rows:
        return f"{text} The sheet gives its numbers without doubt: add ± to prices, costs and grade."
    name, written, share = rows[0]
    told = f"{name} ({written})" if written else name
    return f"{text} {percent(share)} of the doubt comes from {told}."


def _chances(share: float) -> str:
    return f"{100 * share:.0f} of 100 draws"


def tables(found: Worths) -> list[Grid]:
    """Return all tables that hold anything."""
    worked = next((way for way in found.ways if not way.raw), found.best)
    grids = [*([ways(found, True)] if found.sacks else []), ways(found, False), sales(found, worked)]
    grids += [steps(found, worked), splits(found), doubts(found)]
    return [grid for grid in grids if grid.rows]


def show_worths(title: str, found: Worths) -> None:
    """Print ways, answers, tables and what was assumed."""
    out = console()
    out.print(title, style="bold")
    shown = tables(found)
    for grid in shown[: 2 if found.sacks else 1]:
        print_table(out, grid)
    source = "the weights" if found.weighed else "the sheet"
    out.print(
        f"5 and 95 %: nine chances in ten lie between; {found.draws:,} draws, seed {found.seed}. The grade is that of "
        f"{source}; the balance closes {closes(found.closure)}."
    )
    for question, answer in answers(found):
        out.print()
        out.print(question, style="bold")
        out.print(answer)
    for grid in shown[2 if found.sacks else 1 :]:
        out.print()
        print_table(out, grid)
    out.print()
    for line in [*(f"Note: {note.text}" for note in found.notes), RULES]:
        out.print("\n".join(filled(line, out.width, "- ", "  ")))
