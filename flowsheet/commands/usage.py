"""What to type instead, where a command line itself is wrong: it is said behind what is wrong with it."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from itertools import takewhile
from pathlib import Path
from typing import Any, NamedTuple, get_args

from typer.core import TyperGroup

from flowsheet.spec.text.mistakes import did_you_mean, nearest

SHEETS = (".yaml", ".yml")
EXAMPLES = {
    "--set": "scalp.opening=20mm,12mm",
    "--sizes": "lumps,tails",
    "--air": "96g",
    "--water": "74.5g",
    "--temperature": "18",
    "--rock": "120mm",
    "--band": "6mm",
    "--slab": "3mm,8mm",
    "--kerf": "1mm",
    "--out": "DIR",
    "--output": "flow.svg",
}
"""What may stand behind an option."""


class Usage(NamedTuple):
    """What is wrong with a command line, and what to type instead ("" where nobody knows)."""

    message: str
    cure: str

    def __str__(self) -> str:
        return f"{self.message}. {self.cure}" if self.cure else self.message


class Program(TyperGroup):
    """The program's commands; a command line that cannot be read is refused with its cure."""

    def parse_args(self, ctx: Any, args: list[str]) -> Any:
        """Read what stands before the command; put the cure behind what is said of it."""
        with _told():
            return super().parse_args(ctx, args)

    def resolve_command(self, ctx: Any, args: list[str]) -> Any:
        """Find the command, or say what may be meant by a word that is none."""
        if args and not args[0].startswith("-") and self.get_command(ctx, args[0]) is None:
            try:
                ctx.fail(f"There is no command '{args[0]}'")
            except Exception as wrong:
                wrong.cure = _no_command(args, self.list_commands(ctx))  # type: ignore[attr-defined]
                raise
        return super().resolve_command(ctx, args)

    def invoke(self, ctx: Any) -> Any:
        """Run the command; put the cure behind what is said of its options."""
        with _told():
            return super().invoke(ctx)


@contextmanager
def _told() -> Iterator[None]:
    try:
        yield
    except Exception as wrong:
        # Which classes these are differs between versions of the library; this method they have all had.
        if getattr(wrong, "format_message", None) is not None:
            usage_of(wrong)
        raise


def usage_of(wrong: Any) -> Usage:
    """Return what is wrong with a command line and its cure; from then on it is told with both."""
    found: Usage | None = getattr(wrong, "usage", None)
    if found is None:
        said = wrong.message if getattr(wrong, "possibilities", None) else wrong.format_message()
        cure = getattr(wrong, "cure", "") or _cure(wrong)
        found = wrong.usage = Usage(said.replace("Value error, ", "").rstrip("."), cure)
        if cure:
            wrong.format_message = found.__str__
    return found


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
    if unknown:
        return _misspelt(context, str(option), named)
    if hasattr(wrong, "param_type"):
        return _missing(context, wrong.param)
    if hasattr(wrong, "param"):
        return _wanted(wrong.param)
    # Beside options and values, a command has but words too many; the program itself then tells its help.
    return "" if option is not None or context.parent is None else _extra(context.params)


def _misspelt(context: Any, option: str, named: Iterable[str]) -> str:
    """Return the option that may be meant; before the command, that one which has it must be named first."""
    if context.parent is None:
        having = [name for name, one in context.command.commands.items() if any(option in p.opts for p in one.params)]
        first = "run" if "run" in having else "".join(having[:1])
        return f"Name a command first, as: flowsheet {first} my.yaml {option}" if first else ""
    like = nearest(option.lstrip("-"), [name.removeprefix("--") for name in named]) or ""
    return f"Did you mean --{like}?" if like else ""


def _missing(context: Any, lacking: Any) -> str:
    if lacking.name == "file":
        return f"Name a sheet, as: flowsheet {context.info_name} my.yaml"
    words = ["flowsheet", context.info_name]
    for param in (one for one in context.command.params if one.required):
        given = context.params.get(param.name)
        option = next((name for name in param.opts if name.startswith("--")), "")
        if not option:
            words.append(f'"{given or "my.yaml"}"')
        elif option in EXAMPLES:
            words += [option, _typed(given) if given else EXAMPLES[option]]
    return f"Write: {' '.join(words)}"


def _typed(given: Any) -> str:
    text = str(given)
    return f'"{text}"' if " " in text else text


def _wanted(param: Any) -> str:
    """Say what an option takes, where its value cannot be: one of a few words, or a number between two."""
    option = next((name for name in param.opts if name.startswith("--")), "")
    if not option:
        return ""
    kind = getattr(param, "type", None)  # where older versions keep what newer ones have in the option itself
    described = getattr(getattr(param, "type_descriptor", None), "annotation", None)
    choices = [one for one in getattr(kind, "choices", None) or get_args(described) if isinstance(one, str)]
    if choices:
        return f"Write {' or '.join(f'{option} {one}' for one in choices)}"
    low, high = (getattr(param, end, None) or getattr(kind, end, None) for end in ("min", "max"))
    like = param.default if param.default is not None else EXAMPLES.get(option, low)
    ends = f"from {low or 0} to {high}" if high is not None else f"of {low or 0} or more"
    if isinstance(like, int):
        return f"Write a whole number {ends}, as {option} {like}"
    return f"Write {option} {like}" if like is not None else ""


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
