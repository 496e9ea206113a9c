"""Whose language a phone speaks: that of the person rung, while what became of it is told to whoever runs the watch."""

from __future__ import annotations

from collections.abc import Callable

from monitor.journal.database import Journal, Message
from monitor.own_trouble import OwnTrouble
from monitor.phone import routes
from monitor.phone.people import Person, routes_of
from monitor.phone.postman import Postman
from monitor.phone.routes import Outcome, label
from monitor.settings import Settings
from monitor.telling import Teller
from monitor.words import Voice, speaking, tr

T0 = 1_773_480_000.0
LOUD = Voice(language="xx", translate=str.upper)
# Upper case would change the names of fields: texts of this test that have fields keep them.
SPANISH = Voice(
    language="es",
    translate=lambda text: {"Late: this was written {then}, {age} ago.": "Tarde: {then}, {age}."}.get(text, text),
)


def _taking(taken: list[tuple[str, str, str]]) -> Callable[..., Outcome]:
    def take(url: str, title: str, body: str, **more: object) -> Outcome:
        taken.append((url, title, body))
        return Outcome(True, False, tr("The service took it."))

    return take


def test_that_a_message_is_late_is_told_in_its_readers_language(journal: Journal) -> None:
    """The rest of it was written in that language already."""
    taken: list[tuple[str, str, str]] = []
    people = [Person("Ash", ("a://ash",)), Person("Wren", ("a://wren",))]
    for person in people:
        journal.add_messages(
            [Message("a1", "raised", person.name, label(person.routes[0]), "title", "body", T0 - 3 * 3600 - 600, "now")]
        )
    man = Postman(journal, routes_of(people), lambda: T0, sender=_taking(taken), voices={"Wren": SPANISH})
    found = []
    for _ in range(50):
        found += man.deliver_due(T0, wait_s=0.1)
        if len(found) == 2:
            break
    first_lines = {url: body.splitlines()[0] for url, _, body in taken}
    assert first_lines["a://ash"].startswith("Late: this was written ")
    assert first_lines["a://wren"].startswith("Tarde: ")
    assert all("3 h 10 min" in line for line in first_lines.values())


def test_the_test_message_speaks_to_each_and_its_outcome_to_whoever_asked() -> None:
    """In the order of the settings, whatever the languages."""
    taken: list[tuple[str, str, str]] = []
    with speaking(Voice(language="yy", translate=lambda text: text.replace("The service took it.", "Took."))):
        rung = routes.ring(
            [("Ash", "a://1"), ("Wren", "a://2"), ("Ash", "a://3")], voices={"Wren": LOUD}, sender=_taking(taken)
        )
    assert {url: title for url, title, _ in taken} == {
        "a://1": "TEST from Emberpail", "a://2": "TEST FROM EMBERPAIL", "a://3": "TEST from Emberpail",
    }  # fmt: skip
    assert [one.person for one in rung] == ["Ash", "Wren", "Ash"]
    assert all("Took." in one.says for one in rung), "the thread of a route speaks as whoever started it"


def test_the_watch_s_own_trouble_speaks_to_each(journal: Journal) -> None:
    """It is an alarm like any other; its record is English all the same."""
    people = [Person("Ash", ("a://1",)), Person("Wren", ("a://2",), language="es")]
    own, teller = OwnTrouble(journal), Teller(journal, Settings(), people)
    for minute in range(25):
        own.step({"journal": "the disk is full."}, T0 + 60.0 * minute)
        teller.tell([], T0 + 60.0 * minute, own=(own.state, own.condition))
    titles = {message.person: message.title for message in journal.messages()}
    assert titles == {"Ash": "the watch has trouble", "Wren": "el vigilante tiene problemas"}
    loud = Voice(language="xx", translate=lambda text: {"The journal cannot be written": "DIARIO"}.get(text, text))
    with speaking(loud), journal.transaction():
        own.save()
    assert next(alarm.says for alarm in journal.alarms()).startswith("The journal cannot be written")
