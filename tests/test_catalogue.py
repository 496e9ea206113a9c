"""Every text a person reads is in the catalogue, every catalogue has every text, and no sentence goes round it."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.languages import FOLDER, LANGUAGES, voice_for
from monitor.languages.collect import collected, faults, updated, written
from monitor.words import speaking

ROOT = Path(__file__).parents[1] / "monitor"
OTHERS = LANGUAGES[1:]

# ---- the catalogues ------------------------------------------------------------------------------------------------


def test_every_language_but_english_is_a_catalogue() -> None:
    """Spanish is there."""
    assert "es" in OTHERS


@pytest.mark.parametrize("language", OTHERS)
def test_no_translation_is_missing_unsure_or_short_of_a_field(language: str) -> None:
    """Every text of the program has its translation, none is fuzzy, and each has the fields of the English."""
    assert faults(updated(FOLDER / f"{language}.po", language, collected())) == []


@pytest.mark.parametrize("language", OTHERS)
def test_the_catalogue_is_as_the_collecting_leaves_it(language: str) -> None:
    """No text stands in it that the program no longer has: python -m monitor.languages would change nothing."""
    path = FOLDER / f"{language}.po"
    assert path.read_bytes() == written(updated(path, language, collected()))


@pytest.mark.parametrize("language", OTHERS)
def test_a_translation_keeps_the_blanks_at_its_ends(language: str) -> None:
    """A clause that begins with a blank or a comma is put behind other words as it stands."""
    for message in updated(FOLDER / f"{language}.po", language, collected()):
        ids = message.id if isinstance(message.id, tuple | list) else (message.id,)
        told = message.string if isinstance(message.string, tuple | list) else (message.string,)
        for text in filter(None, told if ids[0] else ()):
            assert _ends(text) == _ends(ids[-1]), f'"{ids[0]}" / "{text}"'


def _ends(text: str) -> tuple[str, str]:
    return text[: len(text) - len(text.lstrip())], text[len(text.rstrip()) :]


@pytest.mark.parametrize("language", OTHERS)
def test_no_translation_calls_a_batch_safe(language: str) -> None:
    """Heat cannot show that: the words for it stand nowhere, in no language."""
    for message in updated(FOLDER / f"{language}.po", language, collected()):
        for text in [str(message.id), str(message.string or "")]:
            assert not re.search(r"\b(un)?safe\b(?!ty)|\binocu[oa]s?\b", text, re.IGNORECASE), text


# ---- nothing goes round the catalogue ------------------------------------------------------------------------------

TELLING = {"tr", "trn", "trc", "mark"}
_SQL = re.compile(
    r"\s*(SELECT|INSERT|UPDATE|DELETE|CREATE|PRAGMA|ALTER|DROP|BEGIN|WITH|REPLACE|VACUUM|FROM|SAVEPOINT|RELEASE|ROLLBACK)\b"
)
_WORD = re.compile(r"[A-Za-zÀ-ÿ']{2,}")

# "file: beginning of the text" -> why it need not be translated. Take a line out when it is mended; put none in
# unless no person reads it.
EXCEPTIONS: dict[str, str] = {
    "heat/bateman.py: A two-exponential curve needs": "a programmer's slip: the estimator asks only with enough points",
    "heat/estimator.py: No estimate has been made yet": "a programmer's slip: the order of calls",
    "judgement/alarms.py: There is no alarm kind": "a programmer's slip: the kinds are constants",
    "sensing/frames.py: A MAX31855 frame": "for whoever writes a node's program",
    "sensing/frames.py: MAX31856:": "for whoever writes a node's program",
    "sensing/frames.py: A MAX6675 word": "for whoever writes a node's program",
    "sensing/frames.py: A DS18B20 scratchpad": "for whoever writes a node's program",
    "commands/batch.py: {} water-added": "a command to be typed",
    "commands/unit.py: RestrictAddressFamilies=": "the words of a unit file",
    "commands/unit.py: After=": "the words of a unit file",
    "commands/unit.py: SystemCallFilter=": "the words of a unit file",
    "commands/unit.py: DeviceAllow=": "the words of a unit file",
    "journal/readings.py: {} SELECT": "SQL",
    "metering.py: ": "what the figures at /metrics are: for programs, in English always",
    "page/metrics.py: The token of": "for programs (/metrics)",
    "page/metrics.py: Bearer realm": "the form of a header",
    "page/charts.py: The batch cannot be read": "for the developer's log; the page says it in its own words",
    "page/charts.py: There is no such curve here": "for programs (curve.json)",
    'page/forms.py: {}<button class="press plain" name="minutes"': "markup, no text",
    "page/app.py: The watch cannot tell how": "for programs (status.json), and for the log",
    "page/news.py: event: news": "the form of a server-sent event",
    "page/door.py: The door needs a passphrase": "a programmer's slip: settings and journal see to both",
    'page/markup.py: {}{}<div class="list">': "markup, no text",
    'sources/health.py: "{}" is no state of a source': "a programmer's slip: the states are constants",
}


def _sentences(path: Path) -> Iterator[tuple[int, str]]:
    """(line, text) of each text in a file that reads like a sentence and does not pass through the catalogue."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    skipped: set[ast.AST] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
            skipped.add(node.value)  # a docstring
        if isinstance(node, ast.Call):
            name = node.func.id if isinstance(node.func, ast.Name) else getattr(node.func, "attr", "")
            if name in TELLING:
                # What is told, not what is filled in.
                skipped.update(argument for argument in node.args)
            elif name in ("compile", "fullmatch", "match", "search", "sub", "execute", "executemany", "executescript"):
                skipped.update(node.args)
        if isinstance(node, ast.JoinedStr):
            skipped.update(ast.walk(node))
            skipped.discard(node)
            # Values put into an f-string are looked at for themselves.
            for value in node.values:
                if isinstance(value, ast.FormattedValue):
                    skipped.difference_update(
                        part for part in ast.walk(value.value) if isinstance(part, ast.Constant | ast.JoinedStr)
                    )
    inner = {part for node in skipped if isinstance(node, ast.JoinedStr) for part in ast.walk(node)}
    for node in ast.walk(tree):
        if node in skipped or node in inner:
            continue
        text = _text(node)
        if text and _reads_like_a_sentence(text):
            yield node.lineno, text  # type: ignore[attr-defined]


def _text(node: ast.AST) -> str:
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        return node.value
    if isinstance(node, ast.JoinedStr):
        return "".join(str(part.value) if isinstance(part, ast.Constant) else "{}" for part in node.values)
    return ""


def _reads_like_a_sentence(text: str) -> bool:
    if len(_WORD.findall(text)) < 3 or " " not in text.strip() or _SQL.match(text):
        return False
    plain = text.strip()
    return plain[0].isupper() or plain.startswith("{}") or plain.endswith((".", "?", "!", ":")) or ". " in plain


def going_round(root: Path) -> dict[str, str]:
    """ "file: text" -> "file:line" of each sentence under ``root`` that the catalogue does not know."""
    found = {}
    for path in sorted(root.rglob("*.py")):
        name = path.relative_to(root).as_posix()
        if not name.startswith("languages/"):
            for line, text in _sentences(path):
                found[f"{name}: {text}"] = f"{name}:{line}"
    return found


def test_no_sentence_goes_round_the_catalogue() -> None:
    """Every text that reads like a sentence for a person passes through tr, trn, trc or mark."""
    found = going_round(ROOT)
    unknown = [f"{where}: {text}" for text, where in found.items() if not text.startswith(tuple(EXCEPTIONS))]
    assert unknown == [], "\n" + "\n".join(unknown)


def test_every_exception_is_still_needed() -> None:
    """The list of exceptions only shrinks."""
    found = going_round(ROOT)
    assert [key for key in EXCEPTIONS if not any(text.startswith(key) for text in found)] == []


def _told_in_pieces(path: Path) -> Iterator[tuple[int, str]]:
    """(line, piece) of texts that are chosen or put together inside of tr: the collecting does not see them."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if not (isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in TELLING):
            continue
        for argument in node.args[: 1 if node.func.id in ("tr", "mark") else 2]:
            if not isinstance(argument, ast.Constant):
                for piece in _pieces(argument):
                    yield node.lineno, piece


def _pieces(node: ast.expr) -> Iterator[str]:
    if isinstance(node, ast.JoinedStr) or (isinstance(node, ast.Constant) and isinstance(node.value, str)):
        yield _text(node)
    parts = {ast.IfExp: ("body", "orelse"), ast.BinOp: ("left", "right")}.get(type(node), ())
    for part in [getattr(node, name) for name in parts] + (node.values if isinstance(node, ast.BoolOp) else []):
        yield from _pieces(part)


def test_what_is_told_is_written_as_one_whole_text() -> None:
    """tr("a" if x else "b"), tr("a" + b) and tr(f"...") are not collected: the choice stands outside of tr."""
    found = [
        f"{path.relative_to(ROOT)}:{line}: {text}"
        for path in sorted(ROOT.rglob("*.py"))
        for line, text in _told_in_pieces(path)
    ]
    assert found == [], "\n" + "\n".join(found)


def test_every_text_that_is_told_is_collected() -> None:
    """What Python itself reads as the texts of tr, trn, trc and mark is what the collecting finds, no more, no less."""
    told: set[tuple[str, ...]] = set()
    for path in sorted(ROOT.rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in TELLING:
                texts = [argument.value for argument in node.args if isinstance(argument, ast.Constant)]
                texts = [text for text in texts if isinstance(text, str)]
                if texts:
                    told.add(tuple(texts[:1] if node.func.id in ("tr", "mark") else texts[:2]))
    found: set[tuple[str, ...]] = set()
    for message in collected():
        texts = message.id if isinstance(message.id, tuple | list) else (message.id,)
        if texts[0]:
            found.add((message.context, *texts) if message.context else tuple(texts))
    # The singular of a plural may be told alone elsewhere, which is one text to a catalogue.
    singulars = {texts[:1] for texts in found if len(texts) == 2}
    assert told - found - singulars == set()
    assert found - told == set()


def test_the_guard_sees_a_text_told_in_pieces(tmp_path: Path) -> None:
    """A condition, a sum and an f-string are found; a look-up, a name and a whole text are not."""
    planted = tmp_path / "planted.py"
    planted.write_text(
        'tr("a" if x else "b")\ntr("key " + x)\ntr(f"{x} y")\ntr(TEXTS["key"])\ntr(TEXT)\ntr("one " "two", x="free")\n'
        'trn("{n} c", "{n} d", n)\ntrc("e", "f")\n',
        encoding="utf-8",
    )
    assert [line for line, _ in _told_in_pieces(planted)] == [1, 1, 2, 3]


PLANTED = '''
"""A module's docstring is not told to anybody."""
import re
from monitor.words import mark, tr, trc, trn

def told(bucket: str, n: int, connection: object) -> str:
    """Nor is that of a function. It has two sentences."""
    tr("This one is told. It is in the catalogue.", name="This Value Is Not Told At All")
    mark("So is this one here.")
    trc("a context of words", "Told in a context.")
    trn("{n} bucket is silent.", "{n} buckets are silent.", n)
    re.compile("Regex with three words.")
    connection.execute("SELECT one FROM the WHERE other = 1")
    print("Planted one: it goes round.")
    raise ValueError(f"{bucket} planted two goes round too")
    x = ["planted three. It begins small"]
    y = f"{'Planted four in a value' if n else ''}"
    z = "two words"
    w = {"planted five ends with a stop.": 1}
    return "not-a-sentence"
'''


def test_the_guard_sees_what_is_planted(tmp_path: Path) -> None:
    """Five sentences round the catalogue are found, and a value filled into a told one; nothing else."""
    (tmp_path / "planted.py").write_text(PLANTED, encoding="utf-8")
    assert sorted(text.removeprefix("planted.py: ") for text in going_round(tmp_path)) == [
        "Planted four in a value",
        "Planted one: it goes round.",
        "This Value Is Not Told At All",
        "planted five ends with a stop.",
        "planted three. It begins small",
        "{} planted two goes round too",
    ]


@pytest.mark.parametrize("language", OTHERS)
def test_the_deed_still_fits_a_locked_phone(language: str) -> None:
    """In every language the second sentence, which says what to do, is on the screen, and the title is whole."""
    from monitor.judgement.messages import TITLE_MOST, lock_screen
    from tests.judgement.test_wording_in_other_voices import _messages

    with speaking(voice_for(language)):
        for message in _messages():
            screen = lock_screen(message)
            assert len(message.short) < 2 or message.short[1] in screen.body, message.short
            assert len(message.title) <= TITLE_MOST and "…" not in message.title
