"""What a message is, and how it fits a locked phone. Pure."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import NamedTuple

from monitor.judgement.phrases import clip

# Words that mean nothing to someone half asleep, or promise what heat cannot see.
FORBIDDEN_ON_PHONE = ("τ", "limiting reagent", "adiabatic", "estimate", "shelved", "acknowledged", "safe")

TITLE_MOST = 40  # characters of a title that common phones show on a locked screen, from memory
BODY_MOST = 180  # characters of body that common phones show on a locked screen, from memory
BUCKET_MOST = 24  # longer bucket names are clipped on the lock screen, so that the deed still fits


@dataclass(frozen=True, slots=True)
class Message:
    """What a person reads.

    message_id   by which screen and phone translate
    says         what is so
    do           what to do about it, cautions included
    title        at most 40 characters, with the bucket
    short        sentences for a locked screen, weightiest first; the first is complete in itself
    deeds        names of deeds (blend, open, look, ...) whose full cautions the page shows beside it
    """

    message_id: str
    says: str
    do: str
    title: str
    short: tuple[str, ...] = ()
    deeds: tuple[str, ...] = ()


class LockScreen(NamedTuple):
    """What fits a locked phone."""

    title: str
    body: str


def lock_screen(message: Message) -> LockScreen:
    """The title, and as many whole short sentences as fit; the first stands always."""
    parts = message.short or (message.says, message.do)
    body = clip(parts[0], BODY_MOST)
    for sentence in parts[1:]:
        if len(body) + 1 + len(sentence) > BODY_MOST:
            break
        body = f"{body} {sentence}"
    return LockScreen(clip(message.title, TITLE_MOST), body)


def title(bucket: str, what: str) -> str:
    """'shed-2: has not taken', at most 40 characters; a long bucket name gives way, not the trouble."""
    return f"{clip(bucket, max(4, TITLE_MOST - 2 - len(what)))}: {what}" if bucket else clip(what, TITLE_MOST)


def forbidden_in(text: str) -> tuple[str, ...]:
    """The forbidden words that a text for a person contains; the test of every text asks here."""
    return tuple(word for word in FORBIDDEN_ON_PHONE if re.search(re.escape(word), text, re.IGNORECASE))
