"""The messages of the program, read from its source: what an error or a warning can say.

    python -m tests.documentation.messages

lists them, ``…`` for what differs from case to case. A message enters the program where an error is
made, where a problem of a bench is noted, or where a command writes to the error stream. Its text
is followed back through names, conditions and parameters; what merely passes a message on, such as
``str(error)``, adds none.
"""

import ast
import itertools
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

PACKAGE = Path(__file__).resolve().parents[2] / "scalemodel"
ANY = "…"
ROOTS = frozenset(
    {"ScalemodelError", "UnreadableError", "ClickException", "UsageError", "BadParameter"}
)
"""Errors of which everything that a user can read is made, or derived."""

PLACES = {"Problem": 5, "Complaint": 0, "error": 1, "warning": 1, "echo": 0}
"""Where else the text of a message stands among the arguments of a call."""

KINDS = {"warning": "warning", "echo": "note"}
"""What is not an error."""

COLLECTS = "BenchError"
"""Says nothing itself but the problems of a bench."""

Function = ast.FunctionDef | ast.AsyncFunctionDef


@dataclass(frozen=True, order=True)
class Message:
    """What can be said, and where in the package."""

    module: str
    line: int
    kind: str
    text: str


@dataclass
class Module:
    """A module and what its messages are looked up in."""

    name: str
    tree: ast.Module
    parents: dict[ast.AST, ast.AST] = field(default_factory=dict)
    functions: dict[str, Function] = field(default_factory=dict)

    def __post_init__(self) -> None:
        """Note what every node is part of."""
        for node in ast.walk(self.tree):
            self.parents |= dict.fromkeys(ast.iter_child_nodes(node), node)
            if isinstance(node, Function):
                self.functions[node.name] = node

    def calls(self) -> Iterator[ast.Call]:
        """Give every call."""
        return (node for node in ast.walk(self.tree) if isinstance(node, ast.Call))

    def texts(self, node: ast.expr) -> set[str]:
        """Return what an expression can say; nothing if it passes on what was said elsewhere."""
        match node:
            case ast.Constant(value=str(text)):
                return {text}
            case ast.JoinedStr(values=parts):
                return _joined(self._part(part) for part in parts)
            case ast.BinOp(left=left, op=ast.Add(), right=right):
                return _joined([self.texts(left), self.texts(right)])
            case ast.IfExp(body=one, orelse=other):
                return (self.texts(one) or {ANY}) | (self.texts(other) or {ANY})
            case ast.Name():
                return self._named(node)
            case ast.Call(func=ast.Name(id=name)) if name in self.functions:
                return self._returned(self.functions[name])
            case _:
                return set()

    def _part(self, part: ast.expr) -> set[str]:
        """Return what a part of an f-string can say: a name may hold words, all else is a value."""
        if isinstance(part, ast.FormattedValue):
            return (isinstance(part.value, ast.Name) and self.texts(part.value)) or {ANY}
        return self.texts(part)

    def _named(self, use: ast.Name) -> set[str]:
        around = list(self._around(use))
        owner = next((node for node in around if isinstance(node, Function)), None)
        if owner is None:
            return set()
        found: set[str] = set()
        for value, adds in self._assigned(owner, use, around):
            new = self.texts(value)
            found |= _joined([found, new]) if adds else new
        names = [argument.arg for argument in owner.args.args]
        return found or (self._given(owner, names, use.id) if use.id in names else set())

    def _around(self, node: ast.AST) -> Iterator[ast.AST]:
        while node in self.parents:
            node = self.parents[node]
            yield node

    def _assigned(
        self, owner: Function, use: ast.Name, around: list[ast.AST]
    ) -> list[tuple[ast.expr, bool]]:
        """Give what a name may hold where it is used, and whether that is added to it.

        What is set on the way to its use hides what was set before.
        """
        found: list[tuple[ast.expr, bool]] = []
        sets = [node for node in ast.walk(owner) if isinstance(node, ast.Assign | ast.AugAssign)]
        for node in sorted(sets, key=lambda node: node.lineno):
            pairs = list(_pairs(node, use.id)) if node.lineno < use.lineno else []
            adds = isinstance(node, ast.AugAssign)
            if pairs and not adds and self._on_the_way(node, around):
                found.clear()
            found += [(value, adds) for value in pairs]
        return found

    def _on_the_way(self, node: ast.AST, around: list[ast.AST]) -> bool:
        """Tell whether an assignment is in the same run of statements as a later use."""
        home = self.parents[node]
        for name in ("body", "orelse", "handlers"):
            block = getattr(home, name, ())
            if isinstance(block, list) and node in block:
                return any(step in block for step in around)
        return False

    def _given(self, owner: Function, names: list[str], name: str) -> set[str]:
        """Return what the calls of a function give for a parameter."""
        place = names.index(name) - (names[0] == "self")
        calls = [call for call in self.calls() if _called(call) == owner.name]
        given = [_argument(call, place, name) for call in calls]
        return {text for value in given if value for text in self.texts(value)}

    def _returned(self, function: Function) -> set[str]:
        values = [node.value for node in ast.walk(function) if isinstance(node, ast.Return)]
        return {text for value in values if value for text in self.texts(value)}


def _pairs(node: ast.Assign | ast.AugAssign, name: str) -> Iterator[ast.expr]:
    """Give the values that an assignment sets a name to; an empty text is no message."""
    target = node.target if isinstance(node, ast.AugAssign) else node.targets[0]
    match target, node.value:
        case ast.Name(id=found), value if found == name and ast.unparse(value) != "''":
            yield value
        case ast.Tuple(elts=targets), ast.Tuple(elts=values):
            for one, value in zip(targets, values, strict=False):  # a starred target is no message
                if isinstance(one, ast.Name) and one.id == name:
                    yield value


def _joined(parts: Iterable[set[str]]) -> set[str]:
    return {"".join(chosen) for chosen in itertools.product(*(part or {ANY} for part in parts))}


def _called(call: ast.Call) -> str:
    match call.func:
        case ast.Name(id=name) | ast.Attribute(attr=name):
            return name
        case _:
            return ""


def _argument(call: ast.Call, place: int, name: str) -> ast.expr | None:
    by_name = (keyword.value for keyword in call.keywords if keyword.arg == name)
    return call.args[place] if place < len(call.args) else next(by_name, None)


def _errors(modules: Iterable[Module]) -> frozenset[str]:
    """Return the names of the errors that a user can read."""
    bases = {
        node.name: {
            base.attr if isinstance(base, ast.Attribute) else ast.unparse(base)
            for base in node.bases
        }
        for module in modules
        for node in ast.walk(module.tree)
        if isinstance(node, ast.ClassDef)
    }
    found: frozenset[str] = frozenset()
    while True:
        more = ROOTS | {name for name, named in bases.items() if named & (found | ROOTS)}
        if more == found:
            return found - {COLLECTS}
        found = more


def messages(rooms: Iterable[str]) -> list[Message]:
    """Return every message of some rooms of the package."""
    paths = sorted(path for room in rooms for path in (PACKAGE / room).rglob("*.py"))
    names = [path.relative_to(PACKAGE).as_posix() for path in paths]
    trees = [ast.parse(path.read_text(encoding="utf-8")) for path in paths]
    return messages_of([Module(*both) for both in zip(names, trees, strict=True)])


def messages_of(modules: list[Module]) -> list[Message]:
    """Return every message of some modules."""
    places = PLACES | dict.fromkeys(_errors(modules), 0)
    found = set()
    for module in modules:
        for call in module.calls():
            name = _called(call)
            if name not in places or (name == "echo" and not _to_errors(call)):
                continue
            given = _argument(call, places[name], "what")
            for text in module.texts(given) if given else ():
                if any(sign.isalpha() for sign in _said(text)):
                    kind = KINDS.get(name, "error")
                    found.add(Message(module.name, call.lineno, kind, _said(text)))
    return sorted(found)


def _said(text: str) -> str:
    """Return what is wrong, without what is allowed and how to fix it."""
    return re.split(r"\.? (?:Allowed|Fix): ", " ".join(text.split()))[0]


def _to_errors(call: ast.Call) -> bool:
    return any(keyword.arg == "err" for keyword in call.keywords)


if __name__ == "__main__":
    for message in messages(("data", "model", "answers", "views", "cli")):
        print(f"{message.module}:{message.line}: {message.kind}: {message.text}")
