"""Every text that somebody may read: words of codes, help of commands, errors, the desk's pages and questions."""

import ast
import re
from functools import cache

import click
from sources import PACKAGE, nodes

from flatscan.cli import COMMANDS, group
from flatscan.core import errors
from flatscan.core.phrase import KINDS, command_line, fill, slots
from flatscan.core.quantity import Quantity
from flatscan.report.say import templates

ERRORS = {name for name, kind in vars(errors).items() if isinstance(kind, type) and issubclass(kind, Exception)}
ERRORS |= {"UsageError", "BadParameter", "unwritten", "cut_off", "damaged"}
# elements of a page that stand within a sentence
_INLINE = re.compile(r"</?(?:a|b|strong|em|i|span|code|small|kbd)\b[^>]*>")
_TAG, _LOGIC, _SHOWN = re.compile(r"<[^>]*>"), re.compile(r"\{[%#].*?[%#]\}", re.S), re.compile(r"\{\{.*?\}\}", re.S)
_DATA = re.compile(r"<(script|style)\b.*?</\1>", re.S)
_SLOT = re.compile(r"\{[^{}]*\}")


def sample(kind):
    """A value of a placeholder's kind."""
    base = kind.removesuffix("±").partition(".")[0]
    if base in KINDS:
        return Quantity(0.123456, 0.0021, KINDS[base])
    if base in ("list", "then"):
        return ("N", "N")
    return (1.234, 0.456) if base in ("place", "xy", "spot", "sides") else "N" if base == "" else 3


def rendered(template, units="mm"):
    """A template with something in every placeholder, as somebody at a command line reads it."""
    values = {name: sample(kind) for name, kind in slots(template) if name not in ("set", "run")}
    return fill(template, values, command_line(units), lambda *_: "N")


def _string(node):
    """The text of a literal, with N for what is put in; None for anything else."""
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        return _SLOT.sub("N", node.value)
    if isinstance(node, ast.JoinedStr):
        return _SLOT.sub("N", "".join(getattr(part, "value", None) or "N" for part in map(_plain, node.values)))
    return None


def _plain(part):
    return part if isinstance(part, ast.Constant) else ast.Constant("N")


def _called(call):
    return call.func.id if isinstance(call.func, ast.Name) else getattr(call.func, "attr", "")


def _literals(call):
    """Every literal among the arguments of a call, however deep: (line, text)."""
    for part in (*call.args, *(word.value for word in call.keywords)):
        inside = {id(one) for node in ast.walk(part) if isinstance(node, ast.JoinedStr) for one in node.values}
        for node in ast.walk(part):
            if id(node) not in inside and (text := _string(node)) and " " in text:
                yield node.lineno, text


def error_texts():
    """Parts of errors as their templates stand at the raise, by module and line."""
    calls = ((path, call) for path, call in nodes(ast.Call) if _called(call) in ERRORS)
    return [(f"{path}:{line}", text) for path, call in calls for line, text in _literals(call)]


def help_texts():
    """What every command is for, and the help of it and of every option, each once."""
    found = {f"flatscan {name}": [words] for name, (_, words) in COMMANDS.items()}
    for name in group.list_commands(ctx := click.Context(group)):
        command = group.get_command(ctx, name)
        found[f"flatscan {name}"].append(re.sub(r"Example: .*", "", command.help or ""))
        for param in command.params:
            if getattr(param, "help", None):
                found.setdefault(param.opts[-1], []).append(re.sub(r"\[default: .*?\]", "", param.help))
    return [(name, text) for name, texts in found.items() for text in dict.fromkeys(texts)]


def desk_texts():
    """What stands on the desk's pages and in the questions it asks, by file."""
    calls = ((path, call) for path, call in nodes(ast.Call) if path.parts[0] == "desk" and _called(call) not in ERRORS)
    asked = [(f"{path}:{line}", text) for path, call in calls for line, text in _literals(call) if text[0].isupper()]
    pages = sorted((PACKAGE / "desk" / "pages").glob("*.j2")) + sorted((PACKAGE / "report" / "page").glob("*.j2"))
    return asked + [(page.name, text) for page in pages for text in page_texts(page.read_text(encoding="utf-8"))]


def page_texts(page):
    """The texts of a page, an element each."""
    bare = _SHOWN.sub("N", _LOGIC.sub("\n", _INLINE.sub("", _DATA.sub("", page))))
    return [" ".join(text.split()) for text in _TAG.split(bare) if text.strip(" N\n")]


@cache
def every_text():
    """Place and text of all that may be read, codes in both units."""
    said = [(code, rendered(template, units)) for code, template in templates().items() for units in ("mm", "in")]
    return tuple(said + [*error_texts(), *help_texts(), *desk_texts()])
