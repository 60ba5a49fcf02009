"""``python -m flowsheet`` does what ``flowsheet`` does."""

from flowsheet.cli import main

main()
