"""A TOML file that people write: a frozen pydantic model of it, or ALL its faults at once.

Values come from ``tomllib``; only when there is a fault are lines looked up, in the syntax tree
of ``tree-sitter-toml``. A file may come from strangers: it is refused above 1 MiB, nesting is
bounded, nothing in it runs or opens anything.
"""

from __future__ import annotations

import datetime
import difflib
import hashlib
import re
import tomllib
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Generic, TypeAlias, TypeVar, get_args

from pydantic import BaseModel, ValidationError

from extractor.errors import Fault, FileFaultsError

MAX_BYTES = 1 << 20
# No table or value comes without one of these, so that their number bounds time and memory.
MARKS = ".,=[{"
MAX_MARKS = 50_000
MAX_FAULTS = 100
# tomllib takes time with the square of a dotted key's parts and recurses into brackets.
MAX_DOTS_A_LINE = 200
# Past this size only the first syntax fault is looked for: each one more parses the file again.
MAX_RETRY_CHARACTERS = 1 << 17
MAX_SYNTAX_FAULTS = 20
MAX_STATEMENT_LINES = 40

M = TypeVar("M", bound=BaseModel)
KeyPath: TypeAlias = tuple[str | int, ...]

# Stands for a value that is not TOML while the rest of the file is examined.
_FAULTY = "\ufdd0 faulty"
_FAULTY_TABLE = "\ufdd0 faulty table"


@dataclass(frozen=True, slots=True)
class RuleFault:
    """A fault found by a rule: ``path`` from the part the rule was given, what was ``expected``.

    ``met`` takes the place of the value as written.
    """

    path: KeyPath
    expected: str
    met: str | None = None


Rules: TypeAlias = Mapping[type[BaseModel], tuple[Callable[[Any, Any], Iterable[RuleFault]], ...]]
"""Rules across keys by type of part; each is called with a part and the whole file's model."""


@dataclass(frozen=True, slots=True)
class Loaded(Generic[M]):
    """A file without faults: its model, its path and the SHA-256 of its bytes in hex."""

    value: M
    path: Path
    sha256: str


def load(path: Path, model: type[M], rules: Rules | None = None) -> Loaded[M]:
    """Load the TOML file at ``path`` as a ``model``.

    Raises
    ------
    FileFaultsError
        With every fault, in the order of the file: place ``FILE:LINE``, key (lists count from 1),
        the value as written, what was expected. A rule that needs a faulty value is not applied.
    """
    try:
        if not path.is_file():
            raise FileFaultsError([Fault(str(path), "the file", "missing", "a TOML file")])
        with path.open("rb") as stream:
            content = stream.read(MAX_BYTES + 1)
    except OSError as error:
        reason = error.strerror or str(error)
        raise FileFaultsError(
            [Fault(str(path), "the file", f"unreadable ({reason})", "a file you may read")]
        ) from None
    return Loaded(parse(content, path, model, rules), path, hashlib.sha256(content).hexdigest())


def parse(content: bytes, path: Path, model: type[M], rules: Rules | None = None) -> M:
    """Like `load`, of the bytes that ``path`` holds or is about to hold."""
    try:
        return _parse(content, str(path), model, rules or {})
    except RecursionError:
        raise FileFaultsError(
            [Fault(str(path), "the file", "nested too deeply", "a few levels of brackets")]
        ) from None


def _parse(content: bytes, file: str, model: type[M], rules: Rules) -> M:
    text = decode(content, file)
    try:
        raw = tomllib.loads(text)
    except ValueError:
        raise FileFaultsError(_faults_of_broken(text, file, model, rules)) from None
    data = _plain(raw)
    try:
        value = model.model_validate(data, strict=True)
    except ValidationError as error:
        faults = _Faults(file, text, data)
        faults.add_validation(error, model)
        faults.add_partial(model, rules)
        raise FileFaultsError(faults.listed()) from None
    faults = _Faults(file, text, data)
    faults.add_rules(value, rules)
    if faults:
        raise FileFaultsError(faults.listed())
    return value


def decode(content: bytes, file: str) -> str:
    """The text of a file within the bounds. Raises FileFaultsError."""
    if len(content) > MAX_BYTES:
        raise FileFaultsError([Fault(file, "the file", "larger than 1 MiB", "at most 1 MiB")])
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        met = f"not UTF-8 (byte {content[error.start]:#04x})"
        raise FileFaultsError(
            [Fault(f"{file}:{line}", "the text", met, "a file saved as UTF-8")]
        ) from None
    if sum(text.count(mark) for mark in MARKS) > MAX_MARKS:
        met = f"of more than {MAX_MARKS} keys and values"
        raise FileFaultsError([Fault(file, "the file", met, "fewer")])
    for number, line_text in enumerate(text.split("\n"), 1):
        if line_text.count(".") > MAX_DOTS_A_LINE:
            raise FileFaultsError(
                [Fault(f"{file}:{number}", "the line", "too long", "fewer dots in one line")]
            )
    return text


def _plain(value: Any) -> Any:
    """The value with tuples for lists and ISO 8601 text for dates and times."""
    if isinstance(value, dict):
        return {key: _plain(item) for key, item in value.items()}
    if isinstance(value, list):
        return tuple(_plain(item) for item in value)
    if isinstance(value, datetime.date | datetime.time):
        return value.isoformat()
    return value


# ---------------------------------------------------------------- faults of values


class _Faults:
    """Gathers faults of a text that is TOML and puts lines and values as written to them."""

    def __init__(self, file: str, text: str, data: Any) -> None:
        self._file = file
        self._text = text
        self._data = data
        self._spots: dict[KeyPath, _Spot] | None = None
        self._found: list[tuple[int, Fault]] = []
        self._more = 0
        self.paths: set[KeyPath] = set()

    def __bool__(self) -> bool:
        return bool(self._found)

    def listed(self) -> list[Fault]:
        faults = [fault for _, fault in sorted(self._found, key=lambda item: item[0])]
        if self._more:
            faults.append(Fault(self._file, "the file", f"faulty in {self._more} more places", "-"))
        return faults

    def add_syntax(self, line: int, fault: Fault) -> None:
        self._found.append((line, fault))

    def _full(self) -> bool:
        """Count a fault; True if so many are listed that this one is only counted."""
        full = len(self._found) >= MAX_FAULTS
        self._more += full
        return full

    def _add(self, path: KeyPath, met: str | None, expected: str) -> None:
        if self._spots is None:
            self._spots = _spots(self._text)
        spot = self._spots.get(path)
        written = spot.text if spot is not None else ""
        near = path
        while spot is None and near:
            near = near[:-1]
            spot = self._spots.get(near)
        line = spot.line if spot is not None else 1
        fault = Fault(f"{self._file}:{line}", _key(path), written if met is None else met, expected)
        self._found.append((line, fault))

    def add_validation(
        self, error: ValidationError, model: type[BaseModel], *, missing: bool = True
    ) -> None:
        """Add what pydantic found; without ``missing`` not that keys are missing."""
        schema = _Schema(model)
        for item in error.errors(include_url=False, include_context=False):
            path, held = self._reach(item["loc"])
            absent = item["type"] == "missing" and isinstance(item["loc"][-1], str)
            if absent:
                path = (*path, item["loc"][-1])
            if path in self.paths:
                continue
            # A list whose every item is faulty also counts as too short for pydantic.
            if item["type"] == "too_short" and isinstance(held, tuple | dict) and held:
                continue
            extra = item["type"] == "extra_forbidden"
            if not extra:
                self.paths.add(path)
            if (absent and not missing) or self._full():
                continue
            if extra:
                self._add(path, "an unknown key", _nearest(str(path[-1]), schema.keys(path[:-1])))
            elif item["loc"][-1] == "[key]":
                self._add(path, "a name that cannot be", schema.words_of_key(path[:-1]))
            else:
                self._add(path, "missing" if absent else None, schema.words(path, held))

    def _reach(self, loc: tuple[str | int, ...]) -> tuple[KeyPath, Any]:
        """The part of a pydantic location that exists in the data, and what it holds."""
        held = self._data
        for depth, step in enumerate(loc):
            inside = (
                step < len(held)
                if isinstance(held, tuple) and isinstance(step, int)
                else isinstance(held, dict) and step in held
            )
            if not inside:
                return loc[:depth], held
            held = held[step]
        return loc, held

    def add_partial(self, model: type[BaseModel], rules: Rules) -> None:
        """Apply the rules to what is left without the faulty values."""
        if not self._more:
            inside = {path[:depth] for path in self.paths for depth in range(1, len(path) + 1)}
            self.add_rules(_partial(model, self._data, self.paths, inside), rules, partial=True)

    def add_rules(self, whole: BaseModel, rules: Rules, *, partial: bool = False) -> None:
        for path, part in _parts(whole, ()):
            for rule in rules.get(type(part), ()):
                try:
                    for fault in rule(part, whole):
                        if not self._full():
                            self._add((*path, *fault.path), fault.met, fault.expected)
                except AttributeError:
                    if not partial:  # in a partial model a faulty value is an absent attribute
                        raise


def _key(path: KeyPath) -> str:
    """``("readout", 2, "unit")`` -> ``readout[3].unit``."""
    parts: list[str] = []
    for step in path:
        if isinstance(step, int):
            parts.append(f"[{step + 1}]")
        else:
            bare = step if re.fullmatch(r"[A-Za-z0-9_-]{1,60}", step) else f'"{_short(step)}"'
            parts.append(f".{bare}" if parts else bare)
    return "".join(parts) or "the file"


def _short(text: str) -> str:
    line = " ".join(text.split())
    return line if len(line) <= 80 else f"{line[:77]}..."


def _nearest(name: str, known: list[str]) -> str:
    close = difflib.get_close_matches(name, known, 1, 0.5)
    return f"{close[0]} (the nearest known key)" if close else f"one of {', '.join(known)}"


def _parts(value: Any, path: KeyPath) -> Iterator[tuple[KeyPath, BaseModel]]:
    """Every model within ``value`` with its path in the file, outer ones first."""
    if isinstance(value, BaseModel):
        yield path, value
        for name, field in type(value).model_fields.items():
            yield from _parts(value.__dict__.get(name), (*path, field.alias or name))
    elif isinstance(value, dict):
        for key, item in value.items():
            yield from _parts(item, (*path, key))
    elif isinstance(value, tuple):
        for index, item in enumerate(value):
            yield from _parts(item, (*path, index))


def _partial(
    model: type[M], data: Any, faulty: set[KeyPath], inside: set[KeyPath], path: KeyPath = ()
) -> M:
    """The model without its faulty values: those attributes are absent.

    ``inside`` holds the faulty paths and all that lead to them.
    """
    values: dict[str, Any] = {}
    absent: list[str] = []
    for name, field in model.model_fields.items():
        key = field.alias or name
        here = (*path, key)
        bad = here in (faulty if _holds_models(field.annotation) else inside)
        if bad or (key not in data and field.is_required()):
            absent.append(name)
        elif key in data:
            values[name] = _partial_value(field.annotation, data[key], faulty, inside, here)
    part = model.model_construct(**values)
    for name in absent:
        part.__dict__.pop(name, None)
    return part


def _holds_models(annotation: Any) -> bool:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return True
    return any(_holds_models(argument) for argument in get_args(annotation))


def _partial_value(
    annotation: Any, data: Any, faulty: set[KeyPath], inside: set[KeyPath], here: KeyPath
) -> Any:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return _partial(annotation, data, faulty, inside, here) if isinstance(data, dict) else data
    inner = get_args(annotation)
    if isinstance(data, tuple) and inner:
        return tuple(
            _partial_value(inner[0], item, faulty, inside, (*here, index))
            for index, item in enumerate(data)
        )
    if isinstance(data, dict) and len(inner) == 2:
        return {
            key: _partial_value(inner[1], item, faulty, inside, (*here, key))
            for key, item in data.items()
        }
    return data


# ---------------------------------------------------------------- what is expected, in words


class _Schema:
    """What a model's JSON Schema says of a place, in words."""

    def __init__(self, model: type[BaseModel]) -> None:
        self._root = model.model_json_schema()

    def _at(self, path: KeyPath) -> dict[str, Any]:
        node = self._root
        for step in path:
            inner: Any = None
            for option in self._options(node):
                if isinstance(step, str):
                    inner = option.get("properties", {}).get(step)
                    for other in (
                        *option.get("patternProperties", {}).values(),
                        option.get("additionalProperties"),
                    ):
                        inner = inner or (other if isinstance(other, dict) else None)
                else:
                    items = option.get("prefixItems", [])
                    inner = items[step] if step < len(items) else option.get("items")
                if inner:
                    break
            node = inner or {}
        return node

    def _options(self, node: dict[str, Any]) -> list[dict[str, Any]]:
        """The forms a place may take, null aside."""
        if "$ref" in node:
            name = node["$ref"].rpartition("/")[2]
            return self._options(self._root["$defs"][name])
        options = node.get("anyOf", [node])
        if len(options) > 1 or options[0] is not node:
            flat = [form for option in options for form in self._options(option)]
            return [form for form in flat if form.get("type") != "null"]
        return [node]

    def keys(self, path: KeyPath) -> list[str]:
        """The known keys of the table at ``path``."""
        return [key for form in self._options(self._at(path)) for key in form.get("properties", {})]

    def words_of_key(self, path: KeyPath) -> str:
        """What the names in the table at ``path`` may be."""
        for form in self._options(self._at(path)):
            if "propertyNames" in form:
                return self._form_words(form["propertyNames"])
        return "another name"

    def words(self, path: KeyPath, met: Any = None) -> str:
        """What is expected at ``path``; of listed words the one nearest to ``met``."""
        node = self._at(path)
        forms = [self._form_words(form) for form in self._options(node)]
        words = " or ".join(dict.fromkeys(forms))
        if isinstance(met, str):
            allowed = [str(word) for form in self._options(node) for word in form.get("enum", ())]
            if close := difflib.get_close_matches(met, allowed, 1, 0.6):
                words += f" (nearest: {close[0]})"
        return words

    def _form_words(self, form: dict[str, Any]) -> str:
        kind = form.get("type")
        if "const" in form:
            words = _written(form["const"])
        elif "enum" in form:
            words = f"one of {', '.join(_written(word) for word in form['enum'])}"
        elif "description" in form and kind != "object":
            words = str(form["description"])
        elif kind == "array":
            words = self._list_words(form)
        elif kind in ("number", "integer"):
            words = ("a number" if kind == "number" else "a whole number") + _limits(form)
        elif kind == "string" and "maxLength" in form:
            words = f"text of {form.get('minLength', 0)} to {form['maxLength']} characters"
        else:
            names = {"object": "a table", "boolean": "true or false", "string": "text in quotes"}
            words = names.get(str(kind), "nothing")
        return words

    def _list_words(self, form: dict[str, Any]) -> str:
        if "prefixItems" in form:
            items = [self._form_words(self._options(item)[0]) for item in form["prefixItems"]]
            return f"[{', '.join(items)}]"
        least, most = form.get("minItems", 0), form.get("maxItems")
        return f"a list of {least} to {most} tables" if most else "a list"


def _written(word: Any) -> str:
    return f'"{word}"' if isinstance(word, str) and (not word or " " in word) else str(word)


def _limits(form: dict[str, Any]) -> str:
    words = {
        "minimum": "at least",
        "exclusiveMinimum": "above",
        "maximum": "at most",
        "exclusiveMaximum": "below",
    }
    limits = [f"{word} {form[limit]:g}" for limit, word in words.items() if limit in form]
    return f" {' and '.join(limits)}" if limits else ""


# ---------------------------------------------------------------- where a value stands


@dataclass(frozen=True, slots=True)
class _Spot:
    """Line (from 1) and text as written; the text of a table is empty."""

    line: int
    text: str


def _spots(text: str) -> dict[KeyPath, _Spot]:
    """Where every table and value of a text that is TOML stands, by its path."""
    spots: dict[KeyPath, _Spot] = {(): _Spot(1, "")}
    counts: dict[KeyPath, int] = {}
    for node in _tree(text).children:
        if node.type == "pair":
            _note_pair(node, (), spots)
        elif node.type in ("table", "table_array_element"):
            prefix = _note_header(node, counts, spots)
            for pair in node.children:
                if pair.type == "pair":
                    _note_pair(pair, prefix, spots)
    return spots


def _tree(text: str) -> Any:
    import tree_sitter  # here, since only a faulty file needs it
    import tree_sitter_toml

    parser = tree_sitter.Parser(tree_sitter.Language(tree_sitter_toml.language()))
    return parser.parse(text.encode()).root_node


def comments(text: str) -> list[str]:
    """The comments of a text that is TOML, in order, with their ``#``."""
    found: list[str] = []
    waiting = [_tree(text)]
    while waiting:
        node = waiting.pop()
        if node.type == "comment":
            found.append(node.text.decode())
        waiting.extend(reversed(node.children))
    return found


def _note_header(node: Any, counts: dict[KeyPath, int], spots: dict[KeyPath, _Spot]) -> KeyPath:
    spot = _Spot(node.start_point.row + 1, "")
    steps = _steps(node.children[1])
    path: KeyPath = ()
    for step in steps[:-1]:
        path = (*path, step)
        if path in counts:
            path = (*path, counts[path] - 1)
    path = (*path, steps[-1])
    spots.setdefault(path, spot)
    if node.type == "table_array_element":
        counts[path] = counts.get(path, 0) + 1
        path = (*path, counts[path] - 1)
        spots[path] = spot
    return path


def _note_pair(node: Any, prefix: KeyPath, spots: dict[KeyPath, _Spot]) -> None:
    line = node.start_point.row + 1
    path = prefix
    for step in _steps(node.children[0]):
        path = (*path, step)
        spots.setdefault(path, _Spot(line, ""))
    _note_value(node.children[2], path, spots)  # key, =, value, maybe a comment


def _note_value(node: Any, path: KeyPath, spots: dict[KeyPath, _Spot]) -> None:
    spots[path] = _Spot(node.start_point.row + 1, _short(node.text.decode()))
    if node.type == "inline_table":
        for pair in node.children:
            if pair.type == "pair":
                _note_pair(pair, path, spots)
    elif node.type == "array":
        items = [item for item in node.children if item.type not in ("[", ",", "]", "comment")]
        for index, item in enumerate(items):
            _note_value(item, (*path, index), spots)


def _steps(node: Any) -> list[str]:
    """The steps of a bare, quoted or dotted key (a tree that leans left)."""
    steps: list[str] = []
    waiting = [node]
    while waiting:
        node = waiting.pop()
        if node.type == "dotted_key":
            waiting.extend(node.children)
        elif node.type == "bare_key":
            steps.append(node.text.decode())
        elif node.type == "quoted_key":
            steps.append(next(iter(tomllib.loads(f"{node.text.decode()} = 0"))))
    return steps[::-1]


# ---------------------------------------------------------------- faults of syntax

_BARE = r"[A-Za-z0-9_-]{1,60}"
_PAIR = re.compile(rf"\s*({_BARE}(?:\.{_BARE}){{0,8}})\s*=")
_PLACE = re.compile(r"\(at line (\d+), column (\d+)\)|\(at end of document\)")


def _faults_of_broken(text: str, file: str, model: type[BaseModel], rules: Rules) -> list[Fault]:
    """All faults of a text that is not TOML.

    A statement that tomllib refuses is named, replaced by one that is TOML, and the rest
    examined; where that is not possible, the places that tree-sitter could not read are named.
    """
    lines = text.split("\n")
    broken: dict[int, Fault] = {}
    whole = True
    while True:
        try:
            raw = tomllib.loads("\n".join(lines))
            break
        except ValueError as error:
            first, last, fault = _syntax_fault(lines, file, str(error))
        broken.setdefault(first, fault)
        if len(text) > MAX_RETRY_CHARACTERS or len(broken) == MAX_SYNTAX_FAULTS:
            return list(broken.values())
        replaced = _replaced(lines, first, last)
        if replaced is None:
            return list(broken.values()) + _unread(lines, file, last)
        lines, header = replaced
        whole = whole and not header
    raw.pop(_FAULTY_TABLE, None)
    data = _plain(raw)
    faults = _Faults(file, "\n".join(lines), data)
    for line, fault in broken.items():
        faults.add_syntax(line, fault)
    faults.paths.update(_faulty_paths(data, ()))
    try:
        model.model_validate(data, strict=True)
    except ValidationError as error:
        faults.add_validation(error, model, missing=False)
    if whole:
        faults.add_partial(model, rules)
    return faults.listed()


def _syntax_fault(lines: list[str], file: str, message: str) -> tuple[int, int, Fault]:
    """First and last line (from 1) of the statement tomllib refuses, and the fault."""
    place = _PLACE.search(message)
    last = int(place[1]) if place is not None and place[1] else len(lines)
    first = last
    # An open bracket or quote shows only later: its statement starts after the last good line.
    if sum(map(len, lines)) <= MAX_RETRY_CHARACTERS:
        for start in range(last, max(0, last - MAX_STATEMENT_LINES), -1):
            if _is_toml("\n".join(lines[: start - 1])):
                first = start
                break
    fault = Fault(
        f"{file}:{first}", "the line", f"`{_short(lines[first - 1])}`", f"TOML: {_short(message)}"
    )
    return first, last, fault


def _is_toml(text: str) -> bool:
    try:
        tomllib.loads(text)
    except ValueError:
        return False
    return True


def _replaced(lines: list[str], first: int, last: int) -> tuple[list[str], bool] | None:
    """The lines with the faulty statement replaced, and whether that was a table's header."""
    head = lines[first - 1]
    nxt = lines[last - 1].lstrip()
    end = last
    if first < last:  # does the statement end before the line that tomllib stopped at?
        if not (_PAIR.match(nxt) or nxt.startswith("[")):
            return None
        end = last - 1
    header = head.lstrip().startswith("[")
    if header:
        stand_in = f'[["{_FAULTY_TABLE}"]]'
    elif pair := _PAIR.match(head):
        stand_in = f'{pair[1]} = "{_FAULTY}"'
    else:
        stand_in = ""
    if head == stand_in:
        stand_in = ""  # the key stands twice
    if head == stand_in:
        return None
    return [*lines[: first - 1], stand_in, *[""] * (end - first), *lines[end:]], header


def _faulty_paths(data: Any, path: KeyPath) -> Iterator[KeyPath]:
    if data == _FAULTY:
        yield path
    elif isinstance(data, dict):
        for key, item in data.items():
            yield from _faulty_paths(item, (*path, key))
    elif isinstance(data, tuple):
        for index, item in enumerate(data):
            yield from _faulty_paths(item, (*path, index))


def _unread(lines: list[str], file: str, after: int) -> list[Fault]:
    """Where tree-sitter could not read the text, past the line ``after``."""
    waiting = [_tree("\n".join(lines))]
    places: set[int] = set()
    while waiting:
        node = waiting.pop()
        if node.is_error or node.is_missing:
            places.add(node.start_point.row + 1)
        if node.has_error:
            waiting.extend(node.children)
    return [
        Fault(f"{file}:{line}", "the line", f"`{_short(lines[line - 1])}`", "TOML")
        for line in sorted(places)[:MAX_FAULTS]
        if line > after
    ]
