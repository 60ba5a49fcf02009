"""A run in sentences, tables and pictures: the drawn flowsheet, the bar of gold, sizes, losses.

Read overview; by_weights, told_tables, sentences, run_tables, terminal; drawing, gold_bar, size_plots,
run_plots, pictures; certainty; files; notebook.
"""
