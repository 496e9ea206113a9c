"""A copy of the journal elsewhere that follows each commit, and who may ship there: for the machine that takes over.

What the broker is told to forget, and what a phone is told, is in the copy first. A copy that cannot be reached, or
that refuses, holds up nothing for long: after ``PATIENCE_S`` the watch goes on without it, and says so.

The folder knows its holder by a number that only grows. A watch that finds a higher one than its own has been taken
over while it was thought dead: it acknowledges nothing more, rings nobody and stands down.
"""

from __future__ import annotations

import contextlib
import json
import os
import secrets
import socket
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from monitor.journal.database import Journal, JournalError, Refused
from monitor.journal.safekeeping import Stopped, name_for_good, sync_folder
from monitor.journal.shipping import MOVE_AT_BYTES, Chain, Pins, Place, chains, clear_all_but, grown, highest
from monitor.keeping import back_up
from monitor.words import tr

# In the journal: the number and the token of the holder that this journal is.
HOLDER_FACT = "copy/holder"
PART = "copy"
PATIENCE_S = 10.0
# A turn without a commit costs a look at two files.
_TURN_S = 1.0
# After a failure: while what waits for the copy still does so, and from then on.
_SOON_S = 1.0
_AGAIN_S = 10.0
# A new base is made when the tails have grown to its size, or to this.
_LEAST_TAIL_BYTES = 16 * 1024 * 1024

Ack = Callable[[], None]


@dataclass(frozen=True, slots=True)
class Holder:
    """Who ships to a folder: a number that only grows, and a token that no other machine has."""

    generation: int
    token: str
    machine: str = ""
    at_s: float = 0.0

    def as_fact(self) -> dict[str, object]:
        """For the journal: the machine is not in it, because the journal goes from one to the other."""
        return {"generation": self.generation, "token": self.token}


class TakenOver(Refused):
    """Another machine has taken this watch over. ``known``: this one once held the copy; else the folder has always
    been another journal's, and nobody may be minding what this one does not.
    """

    def __init__(self, says: str, *, known: bool = True) -> None:
        super().__init__(says)
        self.known = known


def folder_of(copy_to: Path, journal: Path) -> Path:
    """Where under ``copy_to`` this journal's copy is."""
    return copy_to / journal.stem


def holder_in(folder: Path) -> Holder | None:
    """The holder with the highest number; None where nobody has shipped yet. Raises OSError, JournalError."""
    newest = max(folder.glob("holder-*.json"), default=None) if folder.is_dir() else None
    if newest is None:
        return None
    try:
        kept = json.loads(newest.read_text(encoding="utf-8"))
        return Holder(int(kept["generation"]), str(kept["token"]), str(kept["machine"]), float(kept["at_s"]))
    except (ValueError, KeyError, TypeError):
        raise JournalError(tr("{path} is damaged: it says who holds this copy.", path=newest)) from None


def hold(folder: Path, generation: int, now_s: float, token: str | None = None) -> Holder:
    """Become the holder with that number, and with that token if there is one already; TakenOver where another machine
    was quicker.
    """
    holder = Holder(generation, token or secrets.token_hex(8), socket.gethostname(), now_s)
    values = {**holder.as_fact(), "machine": holder.machine, "at_s": now_s}
    path, half = folder / f"holder-{generation:04d}.json", folder / f".holder-{holder.token}"
    half.write_text(json.dumps(values), encoding="utf-8")
    with half.open("rb") as file:
        os.fsync(file.fileno())
    try:
        name_for_good(half, path)  # it fails where the name is taken, and the file is there whole or not at all
    except Refused:
        raise TakenOver(tr("Another machine is just taking this watch over: see {path}.", path=path)) from None
    finally:
        half.unlink(missing_ok=True)
    return holder


def taken_over_by(there: Holder, folder: Path, journal: Path, *, known: bool = True) -> str:
    """Why ``journal`` may not ship to ``folder``, which is another holder's: a sentence. ``known``: it once could."""
    if not known:
        return tr(
            "The folder {folder} holds the copy of another journal than {journal} (from {machine}): take that one "
            "over here (emberpail takeover), or name another folder under copy_to.",
            folder=folder, journal=journal, machine=there.machine,
        )  # fmt: skip
    return tr(
        "{machine} has taken this watch over and minds its buckets now; this one stands down. To bring it back "
        "here: stop it there, then emberpail takeover.",
        machine=there.machine,
    )


class Copying:
    """Ships a journal's commits to a folder, from a thread of its own (``keep_on``).

    ``say`` is told once when it is taken over (``on_lost`` then ends the watch); ``trouble`` has a sentence under
    ``PART`` while the copy is behind.
    """

    def __init__(
        self,
        journal: Path,
        copy_to: Path,
        now_s: Callable[[], float],
        trouble: dict[str, str],
        *,
        on_lost: Callable[[str], None] = lambda says: None,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        self.folder, self.lost = folder_of(copy_to, journal), ""
        self.never_held = False  # where it is lost: the folder was another journal's from the beginning
        self._journal, self._now_s, self._trouble, self._on_lost = journal, now_s, trouble, on_lost
        self._copy_to = copy_to
        self._wal = journal.with_name(journal.name + "-wal")
        self._monotonic = monotonic
        self._pins = Pins(journal)
        self._holder: Holder | None = None
        self._chain: Chain | None = None
        self._era = self._shipped = 0
        self._place: Place | None = None
        self._new_base = False  # the tails have grown long enough
        self._making_base, self._making_since = False, 0.0
        self._claiming = threading.Lock()  # two claims at once would each take the other for another machine's
        self._change = threading.Condition()
        self._held: list[Ack] = []  # for the coming turn
        self._in_turn: list[Ack] = []  # for the end of the one under way
        self._begun = self._finished = 0  # turns
        self._since: float | None = None  # monotonic: when the turn under way began
        self._good = False  # the last turn ended well
        self._wanted = threading.Event()
        self._given_up = False  # the turn under way hangs: what it holds is let go, and the chain is begun anew
        self._again_at = 0.0  # monotonic: not tried before
        self._failing_since: float | None = None  # monotonic: no turn has ended well since
        self._unmet_since: float | None = None  # since when it has not been in step, monotonic

    # ---- at the start, before anything is read -----------------------------------------------------------------

    def claim(self) -> None:
        """See that this journal holds the copy; TakenOver where another machine does.

        A folder that cannot be reached, or does not answer within ``PATIENCE_S``, is no reason not to mind: whoever
        took over is then seen later, by ``keep_on``, before anything is shipped.
        """
        found: list[TakenOver] = []

        def ask() -> None:
            try:
                self._claim()
            except TakenOver as error:
                found.append(error)
            except Exception as error:  # whatever it is: it is tried again, and then told
                self._trouble[PART] = self._unreachable(error)

        asking = threading.Thread(target=ask, name="copy's holder", daemon=True)
        asking.start()
        asking.join(PATIENCE_S)
        if found:
            raise found[0]
        if asking.is_alive():
            self._trouble[PART] = self._unreachable(None)

    def _claim(self) -> None:
        with self._claiming:
            if self._holder is None:
                self._holder = self._held_here()

    def _held_here(self) -> Holder:
        """The holder that this journal is, at the first time by becoming it."""
        with Journal(self._journal, there_already=True) as journal:
            kept = journal.fact(HOLDER_FACT)
        if not self._copy_to.is_dir():  # a stick that is not plugged in must not get a folder under its name
            raise JournalError(tr("{path} is not there", path=self._copy_to), again=True)
        self.folder.mkdir(mode=0o700, exist_ok=True)
        there = holder_in(self.folder)
        if there is None:
            there = self._taken_place(kept)
        elif not isinstance(kept, dict) or kept.get("token") != there.token:
            known = isinstance(kept, dict)
            raise TakenOver(taken_over_by(there, self.folder, self._journal, known=known), known=known)
        return there

    def _taken_place(self, kept: object) -> Holder:
        """Become the holder of a folder that has none. The journal knows it first: where only the folder did, this
        watch would take itself for another machine's for ever. A fact without its file is made good at the next try.
        """
        new = not isinstance(kept, dict)
        fact: dict[str, Any] = {"generation": 1, "token": secrets.token_hex(8)} if not isinstance(kept, dict) else kept
        if new:
            self._keep_fact(fact)
        try:
            return hold(self.folder, int(fact["generation"]), self._now_s(), str(fact["token"]))
        except TakenOver:
            if new:  # it never held it
                self._keep_fact(None)
            raise

    def _keep_fact(self, fact: object) -> None:
        with Journal(self._journal, there_already=True) as journal:
            journal.set_fact(HOLDER_FACT, fact)

    # ---- what the watch asks -----------------------------------------------------------------------------------

    def release(self, acks: Sequence[Ack]) -> None:
        """Acknowledge these once what they brought, which is committed, is in the copy, too."""
        if not acks:
            return
        with self._change:
            self._held += acks
        self._wanted.set()

    def in_step(self, wait_s: float = 2.0) -> bool:
        """Whether somebody may be rung: all that is committed by now is in the copy, or the copy is out of reach and
        has been for a while. False for ever once this watch has been taken over.
        """
        self.mind()
        with self._change:
            wanted = self._begun + 1
            self._wanted.set()
            self._change.wait_for(lambda: self._finished >= wanted or bool(self.lost), timeout=wait_s)
            if self.lost:
                return False
            if self._finished >= wanted:
                self._unmet_since = None
                return not self._is_patient()
        now = self._monotonic()
        self._unmet_since = now if self._unmet_since is None else self._unmet_since
        return now - self._unmet_since >= PATIENCE_S

    def _is_patient(self) -> bool:
        """Whether turns fail, and have done so for so short a time that all waits for the next."""
        since = self._failing_since
        return since is not None and self._monotonic() - since < PATIENCE_S

    def _is_late(self) -> bool:
        since = self._since
        return since is not None and self._monotonic() - since > PATIENCE_S

    def mind(self) -> None:
        """From another thread, every second or so. Where the folder hangs, what has waited too long is acknowledged,
        and the log may begin anew again.
        """
        if not self._is_late():
            return
        self._trouble[PART] = self._unreachable(None)
        with self._change:
            held, self._held = [*self._in_turn, *self._held], []
            self._in_turn = []
            self._given_up = not self._making_base
        if self._given_up:
            self._pins.let_go()
        _acknowledge(held)

    # ---- the thread --------------------------------------------------------------------------------------------

    def keep_on(self, stop: threading.Event) -> None:
        """Ship until ``stop``, and once more then."""
        while not stop.is_set() and not self.lost:
            self.turn()
            self._wanted.wait(_TURN_S)
            self._wanted.clear()
        if not self.lost:
            self.turn()
        self._pins.let_go()

    def turn(self) -> None:
        """Ship what has been committed since the last turn, then acknowledge what waited for it.

        Where that fails all of it waits for the next turn, which goes on with the same chain: a share that was away for
        a moment costs nothing. After ``PATIENCE_S`` nothing waits any more, and the chain is begun anew.
        """
        with self._change:
            self._begun += 1
            self._since = self._monotonic()
            self._given_up = False
            self._in_turn, self._held = self._held, []
        says = self._tried()
        with self._change:
            if self._given_up:
                says = says or self._unreachable(None)
            if not says:
                self._failing_since = None
            elif self._failing_since is None:
                self._failing_since = self._monotonic()
            waits = not self._given_up and self._is_patient()
            acks, self._in_turn = self._in_turn, []
            if waits:
                acks, self._held = [], [*acks, *self._held]
        if says and not waits and not self.lost:
            self._chain = None
            self._pins.let_go()
        if not self.lost:
            _acknowledge(acks)
            if says:
                self._trouble[PART] = says
            else:
                self._trouble.pop(PART, None)
        with self._change:
            self._finished, self._since = self._begun, None
            self._change.notify_all()
        if self.lost:
            self._pins.let_go()
            self._on_lost(self.lost)

    def _tried(self) -> str:
        """Ship; why it could not be done, "" when it is."""
        try:
            return self._shipped_or_why()
        except TakenOver as error:
            self.never_held = not error.known
            self.lost = str(error)
            return self.lost

    def _shipped_or_why(self) -> str:
        """As ``_tried``; raises TakenOver, of which nobody may be rung or the broker told for a moment longer."""
        try:
            self._look_who_holds()
            if self._monotonic() < self._again_at:
                return self._trouble.get(PART, "")
            self._ship()
            self._look_who_holds()
            return ""
        except TakenOver:
            raise
        except Exception as error:  # whatever it is, what waits for this turn must not wait for ever
            patient = self._failing_since is None or self._is_patient()
            self._again_at = self._monotonic() + (_SOON_S if patient else _AGAIN_S)
            says = self._unreachable(error)
        try:
            self._look_who_holds()  # whoever has taken over removes the chain that we were shipping to
        except (OSError, JournalError) as error:
            if isinstance(error, TakenOver):
                raise
        return says

    def _look_who_holds(self) -> None:
        if self._holder is None:
            self._claim()
        there = holder_in(self.folder)
        assert self._holder is not None
        if there is None:
            raise JournalError(tr("{path} has been emptied", path=self.folder), again=True)
        if there.token != self._holder.token:
            raise TakenOver(taken_over_by(there, self.folder, self._journal))
        if there != self._holder:  # this journal's, of another day: a stick was mounted over the folder
            self._holder, self._chain = there, None  # its chain has the same names, and does not go on here
            raise JournalError(tr("{path} holds an older copy", path=self.folder), again=True)

    def _ship(self) -> None:
        before = self._pins.move_on()
        if self._pins.elsewhere:  # what was written to it elsewhere may have left its log again, and be in no tail
            self._chain = None
        try:
            if self._chain is None or self._new_base:
                self._begin_chain()
            self._ship_tail()
        except BaseException:
            self._pins.go_back(before)  # what could not be shipped now must still be in the log at the next turn
            raise
        if before is not None:
            before.close()
        if self._place is not None and self._place.offset > MOVE_AT_BYTES:
            self._pins.move_log()
        if self._chain is not None and self._shipped > max(_LEAST_TAIL_BYTES, self._chain.base.stat().st_size):
            self._new_base = True  # at the next turn; until it is whole the old chain is the copy

    def _begin_chain(self) -> None:
        """Go on with a chain that ends in the present log, as after a kill and a start; else begin a new one."""
        assert self._holder is not None
        there = [chain for chain in chains(self.folder) if chain.generation == self._holder.generation]
        if self._chain is None and there and self._goes_on(there[-1]):
            return
        chain = Chain(self.folder, self._holder.generation, highest(self.folder, self._holder.generation) + 1)
        self._making_base, self._making_since = True, self._monotonic()
        try:
            at = datetime.fromtimestamp(self._now_s(), UTC)
            back_up(self._journal, chain.base, at, progress=self._while_copying)
        except Stopped:
            raise JournalError(tr("no answer"), again=True) from None
        finally:
            self._making_base = False
        self._chain, self._era, self._place, self._shipped, self._new_base = chain, 0, None, 0, False
        try:
            self._ship_tail()
            chain.ready.touch()
            sync_folder(self.folder)
            clear_all_but(chain)
        except BaseException:
            self._chain = None  # it is not whole
            raise

    def _while_copying(self, _done: int, _all: int) -> bool:
        """A base of a large journal takes its time. An old chain is the copy meanwhile, and goes on growing; without
        one nothing can be promised yet, and what waits does so for ``PATIENCE_S``.
        """
        with self._change:
            self._since = self._monotonic()
            waits = self._chain is None and self._since - self._making_since < PATIENCE_S
            acks = [] if waits else [*self._in_turn, *self._held]
            if acks:
                self._in_turn, self._held = [], []
        self._look_who_holds()
        if self._chain is not None:
            self._ship_tail()
        _acknowledge(acks)
        return not self._given_up

    def _goes_on(self, chain: Chain) -> bool:
        tails = chain.tails()
        if not tails:
            return False
        shipped = tails[-1].read_bytes()
        now = grown(self._wal, None)
        if now.place is None or now.data[: len(shipped)] != shipped:
            return False  # the log began anew since; what it held meanwhile is not known
        done = grown(tails[-1], None)
        self._chain, self._era, self._place = chain, len(tails), done.place
        self._shipped = sum(path.stat().st_size for path in tails)
        self._new_base = False
        return True

    def _ship_tail(self) -> None:
        assert self._chain is not None
        self._pins.must_be_there()  # a base takes its time
        found = grown(self._wal, self._place)
        if not found.data:
            return
        era = self._era + 1 if found.anew else self._era
        path = self._chain.tail(era)
        with path.open("wb" if found.anew else "r+b") as file:
            if not found.anew:
                assert self._place is not None
                file.seek(self._place.offset)
                file.truncate()
            file.write(found.data)
            file.flush()
            os.fsync(file.fileno())
        if found.anew:
            sync_folder(self.folder)
        self._place, self._era = found.place, era  # only now: what has failed is done once more
        self._shipped += len(found.data)

    def _unreachable(self, error: Exception | None) -> str:
        reason = tr("no answer") if error is None else getattr(error, "strerror", None) or str(error).rstrip(".")
        return tr(
            "the copy of the journal in {path} is behind ({reason}): if this computer dies now, what came since is "
            "lost with it.",
            path=self.folder,
            reason=reason,
        )


def _acknowledge(acks: Sequence[Ack]) -> None:
    for ack in acks:
        ack()


def newest_whole(folder: Path) -> Chain | None:
    """The newest whole chain in a copy's folder."""
    found: list[Chain] = []
    with contextlib.suppress(OSError):
        found = chains(folder)
    return found[-1] if found else None
