"""A sampling plan in a notebook."""

from __future__ import annotations

from flowsheet.show.graphics.notebook_page import Page, Views, plot
from flowsheet.show.sampling import plan_plots, plans
from flowsheet.show.text.terminal import RULES
from flowsheet.spec.text.notes import texts
from flowsheet.study.sampling.sampling_plan import SamplingPlan


def _planned(found: SamplingPlan) -> Page:
    return Page(
        "A sampling plan",
        plans.answers(found),
        pictures=(
            plot("doubt_by_mass", plan_plots.doubt_by_mass_figure(found), "The doubt against the work"),
            plot("plan_errors", plan_plots.stages_figure(found), "What each stage adds to the variance"),
        ),
        grids=(plans.errors(found), plans.least(found), plans.curve(found)),
        notes=(*texts(found.notes), RULES),
    )


VIEWS: Views = {
    SamplingPlan: _planned,
}
