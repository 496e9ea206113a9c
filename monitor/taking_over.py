"""A dead watch's journal, put together from the copy that followed it, in the place of this machine's.

The order matters. First the folder gets a new holder: a watch that is alive after all sees it within a second or two,
acknowledges nothing more and rings nobody. Then the broker is shown the dead watch's client id, which ends its
connection: what one that was only asleep would still acknowledge reaches nobody. Only then is the copy read; all that
the broker was told to forget is in it, and the rest waits in the session that it keeps under that client id.
"""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from monitor.broker import BrokerUnavailable, visit
from monitor.copying import HOLDER_FACT, Holder, folder_of, hold, holder_in, newest_whole
from monitor.journal.database import Journal, JournalError, Refused
from monitor.journal.photo_files import photo_folder
from monitor.journal.putting_back import PutBack, is_damaged
from monitor.journal.shipping import assemble
from monitor.keeping import restore
from monitor.settings import MqttSource, Settings
from monitor.words import tr


@dataclass(frozen=True, slots=True)
class Taken:
    """What was taken over: from ``before``, into a journal that ``done`` tells of. ``lost_pages`` of the copy were
    damaged; ``not_asked`` are brokers that could not be asked to let the dead watch go, each in a sentence.
    """

    before: Holder
    done: PutBack
    photos: int
    lost_pages: int
    not_asked: tuple[str, ...]


def take_over(
    settings: Settings, at_s: float, *, copy_to: Path | None = None, sleep: Callable[[float], None] = time.sleep
) -> Taken:
    """Take over the journal of these settings (``Settings.as_watch``) from its copy. Raises JournalError."""
    root = copy_to or settings.keep.copy_to
    if root is None:
        raise Refused(
            tr(
                "There is no copy to take over from: copy_to is not set under [keep]. A backup is put back with "
                "restore."
            )
        )
    folder, journal = folder_of(root, settings.journal_path), settings.journal_path
    try:
        before = holder_in(folder)
        chain = newest_whole(folder)
        if before is None or chain is None:
            raise Refused(
                tr("There is no whole copy in {folder}: correct copy_to, or put the last backup back with restore.",
                   folder=folder)
            )  # fmt: skip
        if _is_ours(journal, before):
            raise Refused(
                tr("The journal {path} is the one that is copied there: start watch, nothing is to be taken over.",
                   path=journal)
            )  # fmt: skip
        holder = hold(folder, before.generation + 1, at_s)
        not_asked = tuple(_cut_off(settings))
        sleep(2.0)  # what a folder of the network shows late
        chain = newest_whole(folder) or chain
        journal.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(prefix=".taking-over-", dir=journal.parent) as place:
            whole = Path(place) / journal.name
            lost = assemble(chain, whole)
            if photo_folder(chain.base).is_dir():
                photo_folder(whole).symlink_to(photo_folder(chain.base).absolute())
            with Journal(whole) as mended:
                mended.set_fact(HOLDER_FACT, holder.as_fact())
            done, photos = restore(whole, journal, settings.local_time(at_s))
    except OSError as error:
        raise JournalError(
            tr("{path} cannot be read or written ({reason}).", path=error.filename or folder,
               reason=error.strerror or error),
            again=True,
        ) from error  # fmt: skip
    return Taken(before, done, photos, lost, not_asked)


def _is_ours(journal: Path, holder: Holder) -> bool:
    if not journal.is_file():
        return False
    try:
        with Journal(journal, read_only=True) as present:
            kept = present.fact(HOLDER_FACT)
    except JournalError:
        if is_damaged(journal):
            return False  # whosever it was: it is kept aside as it is
        raise
    return isinstance(kept, dict) and kept.get("token") == holder.token


def _cut_off(settings: Settings) -> Iterator[str]:
    """Come to each broker under the dead watch's client id and go again; its session stays."""
    for source in settings.sources:
        if isinstance(source, MqttSource):
            try:
                visit(source, source.client_id, clean_session=False).disconnect()
            except BrokerUnavailable as error:
                yield str(error)
