"""What the weights taught, and how sure it is, in a notebook."""

from __future__ import annotations

from flowsheet.show.estimate import chance_plots, chances, fit_plots, fit_words, fitted, sack_pictures
from flowsheet.show.graphics.notebook_page import Page, Views, plot
from flowsheet.show.text.terminal import RULES
from flowsheet.spec.text.notes import texts
from flowsheet.study.estimate.chance import Chance
from flowsheet.study.estimate.fit import Fitted


def _chance(found: Chance) -> Page:
    rock_kg = found.next_mean / found.sack_grade.mean
    ranked = chances.doubts(found)
    doubts = plot("doubts", chance_plots.ranked_figure(found), "What the doubt comes from") if ranked.rows else None
    return Page(
        "How sure it is",
        chances.answers(found, rock_kg),
        pictures=(sack_pictures.next_sack(found), doubts),
        grids=(chances.streams(found), chances.coarse(found), ranked),
        notes=(*texts(found.notes), RULES),
    )


def _fitted(found: Fitted) -> Page:
    drawn = plot("fitted", fit_plots.before_and_after_figure(found), "Doubt before and after the weights")
    answers = fit_words.answers(found)
    return Page(found.sheet.title, answers, (), (drawn,), fitted.grids(found), (*texts(found.notes), RULES))


VIEWS: Views = {
    Chance: _chance,
    Fitted: _fitted,
}
