"""What to type instead, where a command line itself is wrong: it is said behind what is wrong with it."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Mapping
from itertools import takewhile
from pathlib import Path
from typing import Any

from typer.core import TyperGroup

from flowsheet.spec.text.mistakes import did_you_mean

SHEETS = (".yaml", ".yml")
EXAMPLES = {
    "--set": "scalp.opening=20mm,12mm",
    "--sizes": "lumps,tails",
    "--air": "96g",
    "--water": "74.5g",
    "--out": "DIR",
    "--output": "flow.svg",
}
"""What may stand behind an option."""


class Program(TyperGroup):
    """The program's commands; a command line that cannot be read is refused with its cure."""

    def resolve_command(self, ctx: Any, args: list[str]) -> Any:
        """Find the command, or say what may be meant by a word that is none."""
        if args and not args[0].startswith("-") and self.get_command(ctx, args[0]) is None:
            ctx.fail(f"There is no command '{args[0]}'. {_no_command(args, self.list_commands(ctx))}")
        return super().resolve_command(ctx, args)

    def invoke(self, ctx: Any) -> Any:
        """Run the command; put the cure behind what is said of its options."""
        try:
            return super().invoke(ctx)
        except Exception as wrong:
            # Which classes these are differs between versions of the library; this method they have all had.
            if (say := getattr(wrong, "format_message", None)) is None:
                raise
            if cure := _cure(wrong):
                told = say().rstrip(".")
                wrong.format_message = lambda: f"{told}. {cure}"  # type: ignore[attr-defined]
            raise


def _no_command(words: list[str], commands: Iterable[str]) -> str:
    word, known = words[0], list(commands)
    if word == "help":
        meant = words[1] if words[1:] and words[1] in known else ""
        return f"Write: flowsheet {meant} --help" if meant else "Write: flowsheet --help, or flowsheet explain"
    if Path(word).suffix.lower() in SHEETS:
        return f'Say what to do with it, as: flowsheet run "{word}"'
    return did_you_mean(word, known, "commands")


def _cure(wrong: Any) -> str:
    """Return what to type instead, "" where what is said is enough."""
    option, unknown = getattr(wrong, "option_name", None), hasattr(wrong, "possibilities")
    if option in EXAMPLES and not unknown:
        return f"Write: {option} {EXAMPLES[option]}"
    if (context := getattr(wrong, "ctx", None)) is None:
        return ""
    named = {name for known in context.command.params for name in known.opts if name.startswith("--")}
    if option in ("-o", "--output") and "--output" not in named and "--out" in named:
        return "Say --out DIR: tables and pictures go to a folder"
    if option == "--out" and "--out" not in named and "--output" in named:
        return "Say -o FILE, whose ending says as what it is written"
    if hasattr(wrong, "param_type"):
        return _missing(context, wrong.param)
    # Beside unknown options and bad values, a command line has but words too many.
    return "" if option is not None or hasattr(wrong, "param") else _extra(context.params)


def _missing(context: Any, lacking: Any) -> str:
    name = next((name for name in lacking.opts if name in EXAMPLES), "")
    if name:
        return f'Write: flowsheet {context.info_name} "{context.params.get("file", "FILE")}" {name} {EXAMPLES[name]}'
    if lacking.name == "file":
        return f"Name a sheet, as: flowsheet {context.info_name} my.yaml"
    return ""


def _extra(given: Mapping[str, Any]) -> str:
    """Return the cure for words that belong to nothing: an option took what was not meant for it, or a blank parts."""
    sizes, settings = given.get("sizes"), given.get("settings")
    if isinstance(sizes, str) and sizes.startswith("-"):
        return f"--sizes wants streams: --sizes {EXAMPLES['--sizes']}"
    if settings:
        behind = sys.argv[next((i for i, word in enumerate(sys.argv) if word.endswith(settings[-1])), -1) + 1 :]
        whole = [settings[-1], *takewhile(lambda word: not word.startswith("-"), behind)]
        return f'Put what has blanks in it in quotes, as --set "{" ".join(whole)}"'
    if sum(Path(word).suffix.lower() in SHEETS for word in sys.argv) > 1:
        return "Name one sheet at a time; a name that has blanks in it wants quotes"
    return 'Put what has blanks in it in quotes, as "20 mm"'
