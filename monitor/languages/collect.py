"""Collecting the texts of the program and comparing a catalogue with them, by Babel. For developers and tests."""

from __future__ import annotations

import ast
import io
import re
import string
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import BinaryIO

from babel.messages.catalog import Catalog, Message
from babel.messages.extract import extract_from_dir
from babel.messages.pofile import read_po, write_po

ROOT = Path(__file__).parents[1]
# How the functions of monitor.words take their text.
KEYWORDS = {"tr": None, "mark": None, "trn": (1, 2), "trc": ((1, "c"), 2)}
_HEADER = "# The words of Emberpail. Made by python -m monitor.languages; translations are written by hand."

_STAMPED = re.compile(
    rb'^"(Project-Id-Version|Report-Msgid-Bugs-To|POT-Creation-Date|PO-Revision-Date|Generated-By|Last-Translator|'
    rb"Language-Team): .*\n",
    re.MULTILINE,
)


def collected(root: Path = ROOT) -> Catalog:
    """Every text of the program, with the files it stands in, in their order."""
    catalog = Catalog(header_comment=_HEADER, charset="utf-8")
    found = extract_from_dir(root, [("**.py", f"{__name__}:told_in")], {}, KEYWORDS, ())
    for file, _line, message, _comments, context in sorted(found, key=lambda one: (one[0], one[1])):
        catalog.add(message, context=context, locations=[(f"monitor/{file}", 0)])
    return catalog


def told_in(
    file: BinaryIO, keywords: Iterable[str], comment_tags: object, options: object
) -> Iterator[tuple[int, str, tuple[str | None, ...], list[str]]]:
    """The calls of the keywords in a file, as Babel wants them: line, function, its texts.

    Babel's own reader goes by tokens and misses a call within another's brackets or within an f-string; Python's syntax
    tree has them all.
    """
    wanted = set(keywords)
    calls = [
        node
        for node in ast.walk(ast.parse(file.read()))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in wanted
    ]
    for call in sorted(calls, key=lambda call: (call.lineno, call.col_offset)):
        texts = tuple(_literal(argument) for argument in call.args)
        if texts and texts[0]:
            yield call.lineno, call.func.id, texts, []  # type: ignore[attr-defined]


def _literal(node: ast.expr) -> str | None:
    return node.value if isinstance(node, ast.Constant) and isinstance(node.value, str) else None


def updated(path: Path, language: str, template: Catalog) -> Catalog:
    """The catalogue at ``path`` with exactly the texts of ``template``; what was translated stays so."""
    old = Catalog(locale=language)
    if path.exists():
        with path.open("rb") as file:
            old = read_po(file, locale=language)
    fresh = Catalog(locale=language, header_comment=_HEADER, charset="utf-8")
    # The rule that the translations were written by: another edition of the locale data may count in more forms.
    fresh.mime_headers = [("Plural-Forms", old.plural_forms)]
    for message in template:
        if message.id:
            kept = old.get(_key(message), message.context)
            fresh.add(message.id, kept.string if kept else None, locations=message.locations, context=message.context)
    return fresh


def dropped(path: Path, language: str, fresh: Catalog) -> list[str]:
    """A sentence for each translation at ``path`` whose English is not in ``fresh`` any more: it may serve again."""
    if not path.exists():
        return []
    with path.open("rb") as file:
        old = read_po(file, locale=language)
    return [
        f'no longer told: "{_key(message)}" ("{_texts(message.string)[0]}")'
        for message in old
        if message.id and any(_texts(message.string)) and fresh.get(_key(message), message.context) is None
    ]


def written(catalog: Catalog) -> bytes:
    """The catalogue as the bytes of a .po file: without dates and line numbers, so that only real changes show."""
    sink = io.BytesIO()
    write_po(sink, catalog, width=110, include_lineno=False, omit_header=False)
    return _STAMPED.sub(b"", sink.getvalue())


def faults(catalog: Catalog) -> list[str]:
    """A sentence for each text that lacks its translation or whose translation has other fields."""
    found = []
    for message in catalog:
        ids, told = _texts(message.id), _texts(message.string)
        if not any(ids):
            continue
        if not all(told) or "fuzzy" in message.flags:
            found.append(f'no translation of "{ids[0]}"')
            continue
        wanted: set[str] = set().union(*(fields(text) for text in ids))
        for text in told:
            try:
                there = fields(text)
            except ValueError:
                found.append(f'"{text}" has a brace too many or too few')
                continue
            # The singular may leave its number out ("a line", not "1 line"): the plural must hold all.
            lacks = (fields(ids[-1]) - there) if text is told[-1] else set()
            odd = there - wanted
            if lacks or odd:
                found.append(f'"{ids[0]}": lacks {sorted(lacks)}, has {sorted(odd)} that the English has not')
    return found


def fields(text: str) -> set[str]:
    """The fields of a text with their specs, "{temperature_c:degC}" as "temperature_c:degC"."""
    return {f"{name}:{spec}" for _, name, spec, _ in string.Formatter().parse(text) if name is not None}


def _texts(one_or_many: object) -> tuple[str, ...]:
    """Babel gives a text, or a tuple of singular and plural, or None."""
    if isinstance(one_or_many, list | tuple):
        return tuple(str(text or "") for text in one_or_many)
    return (str(one_or_many or ""),)


def _key(message: Message) -> str:
    return _texts(message.id)[0]
