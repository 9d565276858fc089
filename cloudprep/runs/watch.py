"""Watches a folder: takes each new capture once it has come whole, and delivers it as a run of its own, once.

What holds at any moment: a capture is delivered when its run's record is there, and its row in the register
says so, or says that it is being worked on in that folder. So whoever starts again looks at the folders of
rows that were being worked on: a finished record of just that is taken as the delivery, anything else is done
again. Nothing depends on the order in which files come, and the inbox is only ever read.
"""

from __future__ import annotations

import contextlib
import hashlib
import itertools
import json
import shutil
import time
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from cloudprep.engine.folder import RunFolder
from cloudprep.engine.inputs import deliverable_stem
from cloudprep.engine.lock import PATIENCE_WITH_THE_DYING, FolderLock
from cloudprep.engine.record import RECORD_NAME, read_record
from cloudprep.engine.standing import asked_of
from cloudprep.errors import (
    EXIT_DONE,
    EXIT_GATE_FAILED,
    EXIT_INPUT_FAILED,
    CloudprepError,
    InUseError,
    OutputError,
    UsageError,
)
from cloudprep.io.atomic import plain_reason, remove_leftovers
from cloudprep.runs.inbox import captures_in, is_unchanged
from cloudprep.runs.ledger import refresh_ledger
from cloudprep.runs.naming import safe_name
from cloudprep.runs.register import (
    DELIVERED,
    DONE,
    GATE_FAILED,
    IN_PART,
    REGISTER_NAME,
    SET_ASIDE,
    Register,
    identity_of,
)
from cloudprep.runs.watch_events import Event

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from cloudprep.config import Pipeline
    from cloudprep.runs.inbox import Capture, GroupBy
    from cloudprep.runs.register import Entry

__all__ = ["Ended", "Runner", "WatchRequest", "watch"]

# The watch itself may be ended so often over one capture before that is set aside: runs have a process of
# their own, so this is for machines that go down with it. Restarts for other reasons must not come near it.
MOST_DEATHS = 100
_DIGITS = 8
# Where a pipeline lies, and versions, are no reason to process everything anew.
_ASKED = ("pipeline", "cell", "boundary", "assume_crs")
_OWN_ROOMS = ("clouds", "terrain")
_TROUBLE = {SET_ASIDE, IN_PART}
_STATES = {"done": DONE, "gate_failed": GATE_FAILED, "some_inputs_failed": IN_PART}


@dataclass(frozen=True)
class WatchRequest:
    """What is wanted of a watched folder.

    Parameters
    ----------
    inbox, out : Path
        The folder that is watched; the folder of the results. Neither lies in the other's way.
    pipeline : Pipeline
        The checked pipeline.
    settle : float
        Seconds for which no file of a capture may have changed.
    poll : float
        Seconds between two looks.
    once : bool
        End when what lies there now is done.
    retry : bool
        Take captures that were set aside once more.
    group_by : {"file", "folder"}
        What a capture is.
    workers, memory, scratch, cell, boundary, assume_crs
        As in :class:`cloudprep.engine.request.RunRequest`.
    """

    inbox: Path
    out: Path
    pipeline: Pipeline
    settle: float = 30.0
    poll: float = 5.0
    once: bool = False
    retry: bool = False
    group_by: GroupBy = "file"
    workers: int | None = None
    memory: int | None = None
    scratch: Path | None = None
    cell: float | None = None
    boundary: Path | None = None
    assume_crs: str | None = None


@dataclass(frozen=True)
class Ended:
    """How a run ended.

    Parameters
    ----------
    record : dict or None
        Its record; None where it came to none.
    failure : str
        Why it came to none.
    may_pass : bool
        Whether the cause lies in this machine (a full disk, say), and not in the capture.
    remark : str
        What happened on the way.
    """

    record: dict[str, Any] | None = None
    failure: str = ""
    may_pass: bool = False
    remark: str = ""


class Runner(Protocol):
    """Carries out one run."""

    def __call__(self, request: WatchRequest, inputs: tuple[str, ...], out: Path) -> Ended:
        """Run the pipeline on inputs; replace what lies in ``out``."""


def watch(
    request: WatchRequest,
    tell: Callable[[Event], None],
    runner: Runner,
    *,
    sleep: Callable[[float], None] = time.sleep,
    clock: Callable[[], float] = time.time,
) -> int:
    """Watch a folder until told to stop, or (``once``) until what lies there is done.

    Parameters
    ----------
    request : WatchRequest
        What is wanted.
    tell : callable
        Told what happens.
    runner : callable
        Carries out runs.
    sleep, clock : callable
        To be exchanged in tests: waits for seconds; gives the seconds since 1970.

    Returns
    -------
    int
        Exit code: 1 if a capture was set aside, delivered in part, or is left for another time, else 3 if a
        gate failed, else 0. What a watch that was killed came to is told by the next one that ends.

    Raises
    ------
    UsageError
        If there is no such folder, one lies in the other, or another process works in the folder of results.
    OutputError
        If the register can't be kept.
    """
    _refuse_folders(request)
    with FolderLock(request.out, lambda text: tell(Event("note", reason=text))):
        remove_leftovers(request.out)
        asked = fingerprint_of(request)
        name = Path(str(request.pipeline.source)).stem
        path = request.out / REGISTER_NAME
        with Register(path, str(request.inbox.resolve()), asked, name) as register:
            return _Watcher(request, register, tell, runner, sleep, clock).carry_out()


def fingerprint_of(request: WatchRequest) -> str:
    """Return what tells one pipeline from another: all it says, and the options that change results."""
    return _fingerprint(
        asked_of(
            request.pipeline, cell=request.cell, boundary=request.boundary, assume_crs=request.assume_crs
        )
    )


def _fingerprint(asked: dict[str, Any]) -> str:
    text = json.dumps([asked[part] for part in _ASKED], sort_keys=True, ensure_ascii=False, default=str)
    return hashlib.sha256(text.encode("utf-8", "backslashreplace")).hexdigest()


def _refuse_folders(request: WatchRequest) -> None:
    inbox, out = request.inbox.resolve(), request.out.resolve()
    if not inbox.is_dir():
        raise UsageError(f"{request.inbox}: no such folder")
    if out == inbox or inbox in out.parents:
        raise UsageError(
            f"{request.out}: lies in the watched folder, which is never changed: choose another --out"
        )


@dataclass
class _Waiting:
    """What a look at the inbox found that is not at rest yet."""

    captures: list[str] = field(default_factory=list)
    until: float = float("inf")
    changed: list[str] = field(default_factory=list)


class _Watcher:
    """One watch, from its start to its end."""

    def __init__(
        self,
        request: WatchRequest,
        register: Register,
        tell: Callable[[Event], None],
        runner: Runner,
        sleep: Callable[[float], None],
        clock: Callable[[], float],
    ) -> None:
        self.request = request
        self.register = register
        self.tell = tell
        self.runner = runner
        self.sleep = sleep
        self.clock = clock
        self.began: float | None = None
        self.decided: dict[str, str] = {}
        self.found: set[str] = set()
        self.not_before: dict[str, float] = {}
        self.away = False
        self.done = 0

    def carry_out(self) -> int:
        request = self.request
        self.tell(
            Event(
                "watching",
                reason=f"{request.inbox} for {request.pipeline.source}, results in {request.out}",
            )
        )
        if self.register.mode != "wal":
            self.tell(Event("note", reason=f"{REGISTER_NAME} is kept without WAL: {self.register.mode}"))
        self._adopt()
        self._recover()
        self.decided = self.register.decided()
        if request.retry:
            for entry in self.register.set_aside_now():
                self.decided.pop(entry.place, None)
        self._refresh(None)
        while True:
            waiting = self._look()
            if request.once and not self._worth_waiting(waiting):
                break
            self.sleep(max(0.0, min(self.request.poll, waiting.until - self.clock())))
        self.tell(Event("ended", reason=self._summary(waiting)))
        news = self.register.news()
        self.register.note_told()
        if waiting.captures or news & _TROUBLE:
            return EXIT_INPUT_FAILED
        return EXIT_GATE_FAILED if GATE_FAILED in news else EXIT_DONE

    def _worth_waiting(self, waiting: _Waiting) -> bool:
        """Tell whether captures are left that have stood still ever since this began, but not long enough."""
        return bool(set(waiting.captures) - set(waiting.changed))

    def _summary(self, waiting: _Waiting) -> str:
        words = [f"{self.done} delivered"]
        aside = len(self.register.set_aside_now())
        if aside:
            words.append(f"{aside} set aside")
        if waiting.captures:
            put_off = len(set(waiting.captures) & self.not_before.keys())
            growing = len(waiting.captures) - put_off
            words += [f"{put_off} put off"] * (put_off > 0)
            words += [f"{growing} still growing, left for the next time"] * (growing > 0)
        return ", ".join(words)

    # -- after an earlier process ----------------------------------------------------------------------------

    def _adopt(self) -> None:
        """Take over what lies in the folder of results, where the register is new: it may have been lost."""
        if not self.register.is_new:
            return
        try:
            folders = sorted(p for p in self.request.out.iterdir() if p.is_dir() and not p.is_symlink())
        except OSError:
            return
        for folder in folders:
            record = read_record(folder)
            if record is not None:
                with contextlib.suppress(LookupError, TypeError, AttributeError):
                    self._adopt_one(folder, record)

    def _adopt_one(self, folder: Path, record: dict[str, Any]) -> None:
        asked = record["asked"]
        if _fingerprint(asked) != fingerprint_of(self.request) or record["status"] not in _STATES:
            return
        checksums = [one["sha256"] for one in record["inputs"]]
        if not all(checksums) or self.register.same(identity_of(checksums)) is not None:
            return
        RunFolder(folder).tidy()
        entry = self.register.adopt(folder.name, checksums, _STATES[record["status"]])
        self.tell(Event("adopted", entry.place, entry.folder, "was delivered before, as its record says"))

    def _recover(self) -> None:
        """Look after what was being worked on when the last process ended."""
        for entry in self.register.at_work():
            assert entry.folder is not None  # noqa: S101
            record = read_record(self.request.out / entry.folder)
            if record is not None and self._is_of(record, entry):
                self._deliver(entry, record, recovered=True)
            elif entry.begun >= MOST_DEATHS:
                reason = f"the program ended {entry.begun} times while it worked on it"
                self.register.settle(entry.id, SET_ASIDE, reason)
                self.tell(Event("set_aside", entry.place, entry.folder, reason))
            else:
                self.register.interrupt(entry.id, counts=True)
                self.tell(Event("resumed", entry.place, entry.folder, "was interrupted: done again"))

    # -- one look --------------------------------------------------------------------------------------------

    def _look(self) -> _Waiting:
        """Look at the inbox, and take what is at rest."""
        waiting = _Waiting()
        try:
            captures = captures_in(self.request.inbox, self.request.group_by)
        except OSError as error:
            if not self.away:
                self.tell(Event("away", reason=f"{self.request.inbox}: {plain_reason(error)}; waiting"))
            self.away = True
            if self.request.once:
                raise UsageError(f"{self.request.inbox}: can't be read: {plain_reason(error)}") from error
            return waiting
        if self.away:
            self.away = False
            self.tell(Event("back", reason=f"{self.request.inbox} is there again"))
        now = self.clock()
        self.began = now if self.began is None else self.began
        for capture in captures:
            if self._is_decided(capture):
                continue
            since = self.register.stands_still_since(capture, now)
            ready = max(since + self.request.settle, self.not_before.get(capture.place, 0.0))
            if self.clock() >= ready:
                self.found.discard(capture.place)
                self._take(capture)
                if self._is_decided(capture):
                    continue
                ready = max(self.clock() + self.request.poll, self.not_before.get(capture.place, 0.0))
                waiting.changed.append(capture.place)
            elif capture.place not in self.found:
                self.found.add(capture.place)
                self.tell(Event("found", capture.place, reason="taken as soon as it stands still"))
            if since > self.began:
                waiting.changed.append(capture.place)
            waiting.captures.append(capture.place)
            waiting.until = min(waiting.until, ready)
        return waiting

    def _is_decided(self, capture: Capture) -> bool:
        return self.decided.get(capture.place) == capture.signature

    def _take(self, capture: Capture) -> None:
        """Deliver a capture that is at rest, or say why not."""
        reason = self._what_is_wrong(capture)
        if reason:
            if self._is_unchanged(capture):
                self.register.set_aside(capture, reason)
                self._decide(capture)
                self.tell(Event("set_aside", capture.place, reason=reason))
            return
        sums = {}
        for file in capture.flights:
            path = self.request.inbox / file.there
            sums[file.path] = self.register.checksum(
                file.path, file.size, file.modified_ns, partial(_checksum, path)
            )
        if not all(sums.values()) or not self._is_unchanged(capture):
            return
        checksums = list(sums.values())
        if self._is_known(capture, checksums):
            self._decide(capture)
            return
        entry = self.register.claim(capture, checksums, self._folders(capture, checksums))
        self._run(capture, entry, self._distinct(capture, sums))

    def _what_is_wrong(self, capture: Capture) -> str:
        """Return why a capture can't be taken; empty where all its flights are whole."""
        from cloudprep.errors import BadInputError  # noqa: PLC0415
        from cloudprep.io.las import open_flight  # noqa: PLC0415 - heavy, and only needed now

        wrong = []
        for file in capture.flights:
            try:
                open_flight(self.request.inbox / file.there)
            except BadInputError as error:
                name = "" if file.path == capture.place else f"{file.path}: "
                wrong.append(f"{name}{error.reason}")
            except CloudprepError as error:
                wrong.append(str(error))
        others = len(capture.flights) - len(wrong)
        if wrong and others:
            wrong.append(f"{others} other {'flight waits' if others == 1 else 'flights wait'} for it")
        return "; ".join(wrong)

    def _is_unchanged(self, capture: Capture) -> bool:
        """Tell whether a capture still lies there as it was seen."""
        return is_unchanged(self.request.inbox, capture, self.request.group_by)

    def _is_known(self, capture: Capture, checksums: Sequence[str]) -> bool:
        """Tell whether what a capture holds was delivered, or set aside, before; and say so."""
        known = self.register.same(identity_of(checksums))
        # What was taken over from a record has no signature, and no place in the inbox either.
        if known is not None and (known.place == capture.place or not known.signature):
            if known.state not in DELIVERED:
                return False
            self.register.keep_signature(known.id, capture)
            return True
        if known is None or known.state not in (*DELIVERED, SET_ASIDE):
            known = self.register.holds(checksums) or known
        if known is None or known.state not in (*DELIVERED, SET_ASIDE):
            return False
        if known.state == SET_ASIDE and self.request.retry:
            return False
        there = (self.request.inbox / known.place).exists()
        self.register.note_duplicate(capture, known)
        words = "holds the same as" if there else "is, under another name,"
        fate = f"delivered to {known.folder}" if known.state in DELIVERED else f"set aside: {known.reason}"
        self.tell(Event("duplicate", capture.place, known.folder, f"{words} {known.place} ({fate})"))
        return True

    def _distinct(self, capture: Capture, sums: dict[str, str]) -> tuple[str, ...]:
        """Return the flights to run on: of those that hold the same only one, else points count twice."""
        first: dict[str, str] = {}
        paths = []
        for file in capture.flights:
            same = first.setdefault(sums[file.path], file.path)
            if same == file.path:
                paths.append(str(self.request.inbox / file.there))
            else:
                self.tell(
                    Event("note", capture.place, reason=f"{file.path} holds the same as {same}: left out")
                )
        return tuple(paths)

    def _folders(self, capture: Capture, checksums: Sequence[str]) -> Iterator[str]:
        """Give names for the folder of a run, the plainest first, all of them free."""
        parts = capture.place.split("/")
        if self.request.group_by == "file" or len(parts) == 1:
            is_file = capture.files[0].path == capture.place
            parts[-1] = deliverable_stem(Path(parts[-1])) if is_file else parts[-1]
        plain = safe_name("_".join(parts))
        key = hashlib.sha256(f"{identity_of(checksums)}{fingerprint_of(self.request)}".encode()).hexdigest()
        names = itertools.chain(
            [plain], (f"{plain}-{key[:n]}" for n in range(_DIGITS, len(key))), [f"{plain}-{key}"]
        )
        return (name for name in names if self._is_free(name))

    def _is_free(self, name: str) -> bool:
        folder = self.request.out / name
        try:
            return not any(folder.iterdir())
        except FileNotFoundError:
            return True
        except OSError:
            return False

    # -- one run ---------------------------------------------------------------------------------------------

    def _run(self, capture: Capture, entry: Entry, inputs: tuple[str, ...]) -> None:
        assert entry.folder is not None  # noqa: S101
        out = self.request.out / entry.folder
        try:
            ended = self._made_ready(out)
            if ended is None:
                self.tell(Event("begun", capture.place, entry.folder))
                ended = self.runner(self.request, inputs, out)
        except BaseException:
            self.register.interrupt(entry.id)
            raise
        if ended.remark:
            self.tell(Event("note", capture.place, entry.folder, ended.remark))
        record = ended.record
        if record is not None and self._is_of(record, entry):
            self._deliver(entry, record)
            self._decide(capture)
        elif not self._is_unchanged(capture):
            self.register.interrupt(entry.id)
            self.tell(
                Event("changed", capture.place, entry.folder, "changed, or went, while it was worked on")
            )
        elif ended.may_pass or _may_pass(record):
            self.register.interrupt(entry.id)
            self.not_before[capture.place] = self.clock() + max(60.0, self.request.poll)
            self.tell(Event("postponed", capture.place, entry.folder, _failure(ended)))
        else:
            reason = _failure(ended)
            self.register.settle(entry.id, SET_ASIDE, reason)
            self._decide(capture)
            self.tell(Event("set_aside", capture.place, entry.folder, reason))
        self._refresh(out)

    def _made_ready(self, out: Path) -> Ended | None:
        """Remove what a run that was killed left; None where that is done, else why it can't be yet."""
        try:
            with FolderLock(out, patience=PATIENCE_WITH_THE_DYING):
                _clear_unfinished(out)
        except (InUseError, OutputError) as error:
            return Ended(failure=str(error), may_pass=True)
        except UsageError as error:
            return Ended(failure=str(error))
        return None

    def _is_of(self, record: dict[str, Any], entry: Entry) -> bool:
        """Tell whether a record says that just what an entry holds was delivered, if only in part."""
        wanted = self.register.checksums(entry.id)
        found = {one["sha256"] for one in record["inputs"] if one["status"] == "done"}
        status = record["status"]
        return status in _STATES and (found < wanted if status == "some_inputs_failed" else found == wanted)

    def _deliver(self, entry: Entry, record: dict[str, Any], *, recovered: bool = False) -> None:
        """Note a delivery, and tell it."""
        assert entry.folder is not None  # noqa: S101
        RunFolder(self.request.out / entry.folder).tidy()
        state = _STATES[record["status"]]
        failed = [f"{Path(i['path']).name}: {i['reason']}" for i in record["inputs"] if i["status"] != "done"]
        missed = [g["reason"] for g in record["gates"] if not g["passed"] and g.get("severity") != "warn"]
        reason = "; ".join(failed or missed)
        self.register.settle(entry.id, state, reason)
        self.done += 1
        points = sum(i["points"] for i in record["inputs"] if i["status"] == "done")
        kind = {DONE: "delivered", GATE_FAILED: "gate_failed", IN_PART: "in_part"}[state]
        if recovered:
            reason = "; ".join(filter(None, ["its run had ended when the program was stopped", reason]))
        self.tell(Event(kind, entry.place, entry.folder, reason, record["seconds"], points))

    def _decide(self, capture: Capture) -> None:
        self.decided[capture.place] = capture.signature

    def _refresh(self, out: Path | None) -> None:
        """Bring the map of all runs up to date; trouble with it is no reason to stop."""
        try:
            refresh_ledger(self.request.out, only=None if out is None else [out])
        except CloudprepError as error:
            self.tell(Event("note", reason=str(error)))


def _checksum(path: Path) -> str:
    """Return a file's checksum; empty where it can't be read just now."""
    from cloudprep.errors import BadInputError  # noqa: PLC0415
    from cloudprep.io.las import fingerprint  # noqa: PLC0415

    try:
        return str(fingerprint(path)["sha256"])
    except BadInputError:
        return ""


def _may_pass(record: dict[str, Any] | None) -> bool:
    return record is not None and any(i.get("try_again") for i in record["inputs"])


def _failure(ended: Ended) -> str:
    if ended.record is None:
        return ended.failure
    return "; ".join(dict.fromkeys(i["reason"] for i in ended.record["inputs"] if i["reason"])) or "it failed"


def _clear_unfinished(folder: Path) -> None:
    """Remove what a run that was killed delivered already: another one may deliver fewer files."""
    if (folder / RECORD_NAME).exists() or not folder.is_dir():
        return
    remove_leftovers(folder)
    for name in _OWN_ROOMS:
        shutil.rmtree(folder / name, ignore_errors=True)
