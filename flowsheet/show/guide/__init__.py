"""What things mean, for ``flowsheet explain``: the guide's pages, and the kinds and blocks as they describe themselves.

Read pages (the guide's text, by section), topics (what can be asked for), then words (on the terminal).
"""
