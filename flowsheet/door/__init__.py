"""What ``import flowsheet as fs`` offers, and what the commands call: a function a question, from sheet to answer.

Read in this order: sheets, questions, rocks, pages, guide.
"""
