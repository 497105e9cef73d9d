"""Owns: the text of a site file: reading it, on which line each key stands, the wording of one problem.

Must not know: which keys a barn has, what they mean.
How it works: `tomllib` reads the values and judges the syntax; a second pass over the same text, already known
to be valid, notes the line of every key and list item. `form_problems` turns what pydantic refuses into our
words: a key is missing, not known, or has a value that its field's description does not allow. So none of
pydantic's own sentences can reach a person.
"""

from __future__ import annotations

import re
import tomllib
from bisect import bisect_right
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path
from typing import Any, TypeVar, get_args

from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo

from gateway.errors import SiteError

Key = tuple[str | int, ...]
Problem = tuple[Key, str]
Table = dict[str, Any]
Form = TypeVar("Form", bound=BaseModel)

MAX_BYTES = 1_000_000
SHOWN_LETTERS = 40
TOO_BIG = "found a whole number of more than 64 bits; allowed: what TOML allows, up to 64 bits"

_BLANK = re.compile(r"(?:[ \t\n]|#[^\n]*)*")
_OPEN = re.compile(r"\[\[?")
_CLOSE = re.compile(r"[ \t]*\]\]?")
_EQUALS = re.compile(r"=[ \t]*")
_PART = re.compile(r"""[ \t]*([A-Za-z0-9_-]+|"(?:[^"\\\n]|\\.)*"|'[^'\n]*')[ \t]*""")
_TEXT = re.compile(
    r'"""(?:[^\\]|\\.)*?"{3,5}' r"|'''.*?'{3,5}" r'|"(?:[^"\\\n]|\\.)*"' r"|'[^'\n]*'",
    re.DOTALL,
)
_SCALAR = re.compile(r"[^,\]}#\n]+")
_TOML_PLACE = re.compile(r" \(at (?:line (\d+), column (\d+)|end of document)\)$")


# --- reading ----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Document:
    """A site file that is valid TOML: its values and the line of each key."""

    path: Path
    data: Table
    lines: dict[Key, int]

    def line_of(self, key: Key) -> int:
        """The line of a key, or of the table in which it is missing."""
        while key and key not in self.lines:
            key = key[:-1]
        return self.lines.get(key, 1)

    def say(self, problem: Problem) -> str:
        """One problem as one line: file, line, table, key, and what is wrong."""
        key, text = problem
        return f"{self.path.name} line {self.line_of(key)}: {self._where(key)}: {text}"

    def _where(self, key: Key) -> str:
        names = key
        while isinstance(names[-1], int):
            names = names[:-1]
        words = ""
        value: Any = self.data
        for step in names[:-1]:
            value = value[step] if isinstance(step, int) else value.get(step, {})
            words += f"[{step}]" if isinstance(step, int) else f" {step}"
            if isinstance(step, int) and isinstance(value.get("name"), str):
                words += f" {shown(value['name'])}"
        return f"{words} key {shown(names[-1])}".lstrip()

    def table(self, key: str) -> Table:
        """A table as it stands in the file, not checked; an empty one when there is none."""
        value = self.data.get(key)
        return value if isinstance(value, dict) else {}

    def rows(self, key: str) -> list[tuple[int, Table]]:
        """The tables of an array with their index, not checked."""
        rows = self.data.get(key)
        return [(i, row) for i, row in enumerate(rows) if isinstance(row, dict)] if isinstance(rows, list) else []


def number_of(row: Table, key: str, default: float | None = None) -> float | None:
    """A number of a table that no form has accepted yet; None when it is none."""
    value = row.get(key, default)
    if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) < 1e9:
        return None
    return value


def text_of(row: Table, key: str) -> str:
    """A text of a table that no form has accepted yet; empty when it is none."""
    value = row.get(key)
    return value if isinstance(value, str) else ""


def read(path: Path) -> Document:
    """The document of a site file. Raises SiteError when it cannot be read or is not TOML."""
    text = _text_of(path)
    try:
        document = Document(path=path, data=tomllib.loads(text), lines=find_lines(text))
        too_big = [document.say((key, TOO_BIG)) for key, value in _leaves(document.data) if _is_too_big(value)]
    except tomllib.TOMLDecodeError as error:
        raise SiteError((f"{path.name} {_syntax(str(error), text)}",)) from error
    except RecursionError as error:
        raise SiteError((f"{path.name}: lists or tables stand too deeply inside one another",)) from error
    except ValueError as error:  # Python refuses to read a whole number of thousands of digits
        raise SiteError((f"{path.name}: a number has too many digits",)) from error
    if too_big:
        raise SiteError(tuple(too_big))
    return document


def _leaves(value: Any, key: Key = ()) -> Iterator[tuple[Key, Any]]:
    """Every value that is neither a table nor a list, with its key."""
    if isinstance(value, dict | list):
        for step, inner in value.items() if isinstance(value, dict) else enumerate(value):
            yield from _leaves(inner, (*key, step))
    else:
        yield key, value


def _is_too_big(value: Any) -> bool:
    return isinstance(value, int) and not -(2**63) <= value < 2**63


def _text_of(path: Path) -> str:
    try:
        if path.exists() and not path.is_file():
            raise SiteError((f"{path}: not a file",))
        with path.open("rb") as stream:
            content = stream.read(MAX_BYTES + 1)
    except FileNotFoundError as error:
        raise SiteError((f"{path}: there is no such file",)) from error
    except OSError as error:
        raise SiteError((f"{path}: cannot be read: {error.strerror}",)) from error
    if len(content) > MAX_BYTES:
        raise SiteError((f"{path}: larger than {MAX_BYTES} bytes, which no site file needs",))
    try:
        return content.decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise SiteError((f"{path.name} line {line}: not UTF-8 text; save the file as UTF-8",)) from error


def _syntax(message: str, text: str) -> str:
    place = _TOML_PLACE.search(message)
    line, column = place.groups() if place else (None, None)
    where = f"line {line or text.count(chr(10)) + 1}"
    return f"{where}: not TOML{f' at column {column}' if column else ''}: {_TOML_PLACE.sub('', message)}"


# --- the line of each key ---------------------------------------------------------------------------


def find_lines(text: str) -> dict[Key, int]:
    """The line of every table, key and list item of a valid TOML text with plain newlines."""
    scan = _Scan(text)
    scan.document()
    return scan.lines


class _Scan:
    """Walks the text once. `newest` is the index of the last table in each array of tables."""

    def __init__(self, text: str) -> None:
        self.text, self.at = text, 0
        self.lines: dict[Key, int] = {}
        self.newest: dict[Key, int] = {}
        self.ends = [match.start() for match in re.finditer("\n", text)]

    def document(self) -> None:
        table: Key = ()
        self._take(_BLANK)
        while self.at < len(self.text):
            if self._sees("["):
                table = self._header()
            else:
                self._pair(table)
            self._take(_BLANK)

    def _header(self) -> Key:
        line, path = self._line(), Key()
        is_array = self._take(_OPEN) == "[["
        *outer, last = self._key()
        self._take(_CLOSE)
        for part in outer:
            path = (*path, part)
            path = (*path, self.newest[path]) if path in self.newest else path
            self.lines.setdefault(path, line)
        path = (*path, last)
        if is_array:
            self.lines.setdefault(path, line)
            self.newest[path] = self.newest.get(path, -1) + 1
            path = (*path, self.newest[path])
        self.lines[path] = line  # its own header wins over one of a table inside it
        return path

    def _pair(self, path: Key) -> None:
        line = self._line()
        for part in self._key():
            path = (*path, part)
            self.lines.setdefault(path, line)
        self._take(_EQUALS)
        self._value(path)

    def _key(self) -> list[str]:
        parts = [self._part()]
        while self._sees("."):
            self.at += 1
            parts.append(self._part())
        return parts

    def _part(self) -> str:
        word = self._take(_PART).strip(" \t")
        return str(tomllib.loads(f"k = {word}")["k"]) if word[0] in "\"'" else word

    def _value(self, path: Key) -> None:
        if self._sees("["):
            self._list(path)
        elif self._sees("{"):
            self._inline(path)
        else:
            self._take(_TEXT if self._sees('"') or self._sees("'") else _SCALAR)

    def _list(self, path: Key) -> None:
        index = 0
        self._step()
        while not self._sees("]"):
            self.lines[(*path, index)] = self._line()
            self._value((*path, index))
            self._comma()
            index += 1
        self.at += 1

    def _inline(self, path: Key) -> None:
        self._step()
        while not self._sees("}"):
            self._pair(path)
            self._comma()
        self.at += 1

    def _comma(self) -> None:
        self._take(_BLANK)
        if self._sees(","):
            self._step()

    def _step(self) -> None:
        self.at += 1
        self._take(_BLANK)

    def _sees(self, mark: str) -> bool:
        return self.text.startswith(mark, self.at)

    def _take(self, pattern: re.Pattern[str]) -> str:
        match = pattern.match(self.text, self.at)
        assert match, f"tomllib and this scanner disagree at {self.text[self.at : self.at + 20]!r}"
        self.at = match.end()
        return match.group()

    def _line(self) -> int:
        return bisect_right(self.ends, self.at - 1) + 1


# --- wording ----------------------------------------------------------------------------------------


def checked(path: Path, root: type[Form], checks: Iterable[Callable[[Document], Iterable[Problem]]]) -> Form:
    """The form of a file. Raises SiteError with every problem of form and checks, each as one line."""
    document = read(path)
    problems: dict[Key, str] = {}
    form = None
    try:
        form = root.model_validate(document.data)
    except ValidationError as error:
        problems.update(form_problems(root, error))
    for check in checks:
        for key, text in check(document):
            problems.setdefault(key, text)
    if problems or form is None:
        ordered = sorted(problems.items(), key=lambda problem: document.line_of(problem[0]))
        raise SiteError(tuple(document.say(problem) for problem in ordered))
    return form


def form_problems(root: type[BaseModel], error: ValidationError) -> Iterator[Problem]:
    """What pydantic refused, in our words. A missing key is not told when a misspelt one explains it."""
    found = [_explain(root, item["type"], item["loc"], item["input"]) for item in error.errors()]
    meant = {(*key[:-1], guess) for key, _, guess in found if guess}
    return ((key, text) for key, text, _ in found if not (key in meant and text.startswith("missing")))


def _explain(root: type[BaseModel], kind: str, loc: Key, value: Any) -> tuple[Key, str, str]:
    key, forms, field = _locate(root, loc)
    if kind == "union_tag_not_found":  # the table's `kind` decides which keys it may have
        misspelt = nearest("kind", (word for word in value if not any(word in _fields(form) for form in forms)))
        if misspelt:
            return _stranger((*key, misspelt), forms)
        key, kind, allowed = (*key, "kind"), "missing", _kinds_of(forms)
    elif kind == "union_tag_invalid":
        key, value, allowed = (*key, "kind"), value["kind"], _kinds_of(forms)
    elif field is None:
        return _stranger(key, forms)
    else:
        allowed = field.description or _example(field) or one_of(get_args(field.annotation))
    return key, f"{'missing' if kind == 'missing' else 'found ' + shown(value)}; allowed: {allowed}", ""


def _stranger(key: Key, forms: list[type[BaseModel]]) -> tuple[Key, str, str]:
    known = list(dict.fromkeys(word for form in forms for word in _fields(form)))
    guess = nearest(str(key[-1]), known)
    return key, f"not known here;{did_you_mean(guess)} allowed: {', '.join(known)}", guess


def _locate(root: type[BaseModel], loc: Key) -> tuple[Key, list[type[BaseModel]], FieldInfo | None]:
    """The key of a pydantic location without its tags, the forms it can have there, and its field if known."""
    path, forms, field = Key(), [root], None
    for step in loc:
        if isinstance(step, int):
            path = (*path, step)
        elif not forms:  # inside a table of free keys: told at the key that holds it
            continue
        elif len(forms) > 1:  # pydantic names the chosen kind here; it is no key of the file
            forms = [form for form in forms if step in _kinds(form)]
        else:
            path, field = (*path, step), _fields(forms[0]).get(step)
            forms = _forms(field.annotation) if field else forms
    return path, forms, field


def _example(field: FieldInfo) -> str:
    """For a field that may hold one kind of table, or one kind of text: what such a value looks like."""
    for form in _forms(field.annotation):
        if example := getattr(form, "EXAMPLE", ""):
            return f"a table such as {example}"
    notes = (note for inner in get_args(field.annotation) for note in getattr(inner, "__metadata__", ()))
    return next((note.description for note in notes if isinstance(note, FieldInfo) and note.description), "")


def _forms(annotation: Any) -> list[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [form for inner in get_args(annotation) for form in _forms(inner)]


def _fields(form: type[BaseModel]) -> dict[str, FieldInfo]:
    return {field.alias or name: field for name, field in form.model_fields.items()}


def _kinds_of(forms: list[type[BaseModel]]) -> str:
    return one_of(word for form in forms for word in _kinds(form))


def _kinds(form: type[BaseModel]) -> tuple[Any, ...]:
    return get_args(form.model_fields["kind"].annotation)


def shown(value: Any) -> str:
    """A value as the site file would write it, shortened."""
    if isinstance(value, str):
        cut = value if len(value) <= SHOWN_LETTERS else value[:SHOWN_LETTERS] + "..."
        return '"' + "".join(c if c.isprintable() else repr(c)[1:-1] for c in cut) + '"'
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        return f"{value:.15g}"
    return "a table" if isinstance(value, dict) else "a list" if isinstance(value, list) else "a date or time"


def one_of(values: Iterable[Any]) -> str:
    """The allowed values, as the site file would write them."""
    return ", ".join(shown(value) for value in values)


def nearest(word: str, known: Iterable[str]) -> str:
    """The known word that looks most like this one, or nothing."""
    return next(iter(get_close_matches(word, list(known), n=1)), "")


def did_you_mean(guess: str) -> str:
    """The question that proposes a guess, or nothing."""
    return f" did you mean {shown(guess)}?" if guess else ""
