"""Figures: a table first, then an SVG picture drawn from it."""

from wearbench.figures.believed import believed_table, draw_believed
from wearbench.figures.choices import choices_table, draw_choices
from wearbench.figures.difference import difference_table, draw_difference
from wearbench.figures.flow import draw_flow, flow_table
from wearbench.figures.pictures import Picture, pictures_of, tolerance_of
from wearbench.figures.ratio import draw_ratio, ratio_table
from wearbench.figures.scatter import draw_scatter, scatter_table
from wearbench.figures.shares import draw_shares, shares_table
from wearbench.figures.strip import draw_strip
from wearbench.figures.striptable import strip_tables
from wearbench.figures.svg import stand_alone, stylesheet
from wearbench.figures.wall import draw_wall, wall_table
from wearbench.figures.writing import write_figures

__all__ = [
    "Picture",
    "believed_table",
    "choices_table",
    "difference_table",
    "draw_believed",
    "draw_choices",
    "draw_difference",
    "draw_flow",
    "draw_ratio",
    "draw_scatter",
    "draw_shares",
    "draw_strip",
    "draw_wall",
    "flow_table",
    "pictures_of",
    "ratio_table",
    "scatter_table",
    "shares_table",
    "stand_alone",
    "strip_tables",
    "stylesheet",
    "tolerance_of",
    "wall_table",
    "write_figures",
]
