"""``heard``: the answer to a drill by hand."""

from __future__ import annotations

from monitor.deeds import HEARD_FACT
from tests.commands.conftest import Shed, assert_one_sentence


def test_it_is_noted_under_the_name_of_the_settings(shed: Shed) -> None:
    """However it was typed."""
    shed.add_settings('\n[[person]]\nname = "Ada"\nroutes = ["print://"]\n')
    shed.start()
    assert "Ada" in shed.say("heard", " ada").words
    with shed.journal() as journal:
        assert list(journal.fact(HEARD_FACT)) == ["Ada"]


def test_a_stranger_is_refused_in_one_sentence(shed: Shed) -> None:
    """With the names that there are."""
    shed.add_settings('\n[[person]]\nname = "Ada"\nroutes = ["print://"]\n')
    complaint = shed.refused("heard", "Adda")
    assert_one_sentence(complaint)
    assert "Ada" in complaint


def test_the_words_of_the_drills_message_can_be_typed_as_they_stand(shed: Shed) -> None:
    """A name with blanks and a comma is typed bare."""
    shed.add_settings('\n[[person]]\nname = "Ben, next door"\nroutes = ["print://"]\n')
    shed.start()
    shed.ok("heard", "Ben,", "next", "door")
    with shed.journal() as journal:
        assert list(journal.fact(HEARD_FACT)) == ["Ben, next door"]
