"""The parent of a playing session: small, so that little can end it, and holder of all that must outlive a crash.

`voicer play` starts as this process. It starts the host (the same command again, which does the work) and the engines,
holds the shared memory between them, and keeps the session's state as the host last gave it. A host that dies leaves
the sound playing; another one takes the session up within a few seconds. An ordered end, by the host itself or by a
signal, ends everything.

Imports nothing but the standard library and `engine.launch`. It needs Unix sockets and inherited descriptors; without
them (`can_keep`) the host runs alone, and a host that dies takes the sound with it.

Host and parent talk over a socket, a JSON object a line. From the host: ``start``, ``tell`` and ``kill`` an engine,
``state``, ``playing`` (from now on a death is a crash), ``bye`` (from now on it is an ordered end). To the host: first
``hello``, then every event of an engine, and ``end``.
"""

from __future__ import annotations

import json
import os
import queue
import signal
import socket
import subprocess
import sys
import threading
import time
from contextlib import suppress
from typing import Any, TextIO

from voicer.engine.launch import OwnEngines, show_name

VARIABLE = "VOICER_KEEPER"
"""Environment variable that gives the host its descriptors: socket, link, loop, ring."""

CRASHES_ALLOWED = 4
"""Hosts in a row that live less than `SHORT_LIFE_S`; after more, the session ends."""

SHORT_LIFE_S = 5.0
PAUSES_S = (0.0, 0.2, 1.0, 2.0)
"""Pause before a host is started again, by the number of short lives before."""

ORPHAN_S = 30.0
"""An engine goes on this long when the parent and the host are gone."""

HOST_ENDS_WITHIN_S = 5.0
ENGINES_END_WITHIN_S = 1.0
_SIGNALS = ("SIGINT", "SIGTERM", "SIGHUP")
_LEAVE_SCREEN = "\x1b[?1049l\x1b[?25h\x1b[0m"
"""Back from the alternate screen, cursor on, colours off (ECMA-48 and DEC private modes, as terminals share them)."""

_HOST_STARTS_WITHIN_S = 0.5


def can_keep() -> bool:
    """Whether this system has what a parent needs."""
    return os.name == "posix" and hasattr(socket, "AF_UNIX") and hasattr(socket, "socketpair")


def keep(arguments: list[str]) -> int:
    """Run `voicer` with these arguments as a host under a parent, this process, until it ends for good.

    Returns
    -------
    int
        Exit code of the host.
    """
    return _Keeper(arguments).run()


class _Keeper:
    def __init__(self, arguments: list[str]) -> None:
        self._arguments = arguments
        self._inbox: queue.SimpleQueue[dict[str, Any]] = queue.SimpleQueue()
        self._engines = OwnEngines(self._inbox)
        self._told: dict[int, list[dict[str, Any]]] = {}
        self._state: dict[str, Any] | None = None
        self._host: subprocess.Popen[bytes] | None = None
        self._line: TextIO | None = None
        self._life = 0
        self._born_s = 0.0
        self._playing = self._ending = False
        self._short_lives = 0
        self._terminal = _terminal_modes()

    def run(self) -> int:
        for name in (*_SIGNALS, "SIGUSR1"):
            number = getattr(signal, name, None)
            if number is not None and signal.getsignal(number) is not signal.SIG_IGN:  # as nohup asks
                signal.signal(number, self._take_signal)
        self._start_engine(1)  # it loads its libraries while the host does the same
        self._start_host()
        code: int | None = None
        while code is None:
            code = self._handle(self._inbox.get())
        self._end_engines()
        return code

    def _take_signal(self, number: int, _frame: Any) -> None:
        self._inbox.put({"event": "signal", "number": number})

    def _handle(self, event: dict[str, Any]) -> int | None:
        """Do what an event asks for; the exit code once the session is over."""
        match event:
            case {"event": "signal", "number": number} if number == getattr(signal, "SIGUSR1", None):
                if self._host is not None and self._playing:
                    self._host.send_signal(number)
            case {"event": "signal"}:
                self._end()
            case {"event": "starting-still"} if self._host is not None and not self._playing:
                self._host.terminate()
            case {"event": "host-ended", "life": life, "code": code} if life == self._life:
                return self._host_ended(code)
            case {"event": "overdue"} if self._host is not None:
                self._host.kill()
            case {"event": "again"} if not self._ending:
                self._start_host()
            case {"host": life, **message} if life == self._life:
                self._obey(message)
            case {"engine": number}:
                self._told.setdefault(number, []).append(event)
                if event["event"] == "ended":
                    self._told.pop(number)
                self._say(event)
        return None

    def _obey(self, message: dict[str, Any]) -> None:
        match message:
            case {"do": "start", "engine": number}:
                self._start_engine(number)
            case {"do": "tell", "engine": number, "line": line}:
                self._engines.tell(number, line)
            case {"do": "kill", "engine": number}:
                self._engines.kill(number)
            case {"do": "state", "state": state}:
                self._state = state
            case {"do": "playing"}:
                self._playing = True
            case {"do": "bye"}:
                self._ending = True

    def _start_engine(self, number: int) -> None:
        self._told[number] = []
        why = "the session is ending" if self._ending else ""
        if not why:
            try:
                self._engines.start(number)
            except OSError as error:  # no memory, no more processes: the supervisor tries again
                why = str(error.strerror)
        if why:
            line = f"an engine process cannot be started ({why})"
            self._inbox.put({"event": "failed", "engine": number, "line": line})
            self._inbox.put({"event": "ended", "engine": number, "code": None})

    def _start_host(self) -> None:
        ours, theirs = socket.socketpair()
        descriptors = (theirs.fileno(), self._engines.link, self._engines.loop, self._engines.ring)
        environment = os.environ | {VARIABLE: ",".join(str(one) for one in descriptors)}
        self._life, self._born_s = self._life + 1, time.monotonic()
        command = [sys.executable, "-P", *_warnings(), "-m", "voicer", *self._arguments]
        try:
            self._host = subprocess.Popen(command, env=environment, pass_fds=descriptors)
        except OSError as error:  # no memory, no more processes: a host that died at once
            ours.close()
            _print(f"voicer: the controlling process cannot be started ({error.strerror})")
            self._inbox.put({"event": "host-ended", "life": self._life, "code": 1})
            return
        finally:
            theirs.close()
        self._line = ours.makefile("w")
        self._listener = threading.Thread(target=self._listen, args=(ours, self._life), daemon=True)
        self._listener.start()
        threading.Thread(target=self._wait, args=(self._host, self._life), daemon=True).start()
        engines = [{"engine": number, "events": events} for number, events in self._told.items()]
        self._say({"event": "hello", "engines": engines, "state": self._state})

    def _listen(self, ours: socket.socket, life: int) -> None:
        with suppress(OSError), ours, ours.makefile("r") as lines:
            for line in lines:
                with suppress(ValueError):
                    self._inbox.put({"host": life, **json.loads(line)})

    def _wait(self, host: subprocess.Popen[bytes], life: int) -> None:
        code = host.wait()
        time.sleep(0.02)  # let what it said last come in first
        self._inbox.put({"event": "host-ended", "life": life, "code": code})

    def _say(self, event: dict[str, Any]) -> None:
        if self._line is not None:
            with suppress(OSError, ValueError):
                self._line.write(json.dumps(event) + "\n")
                self._line.flush()

    def _end(self) -> None:
        """End in order: the sound now, the host as soon as it can."""
        if self._ending:
            return
        self._ending = True
        for number in self._told:
            self._engines.tell(number, "end")
        self._say({"event": "end"})
        if self._host is None:
            self._inbox.put({"event": "host-ended", "life": self._life, "code": 0})
        self._later(_HOST_STARTS_WITHIN_S, {"event": "starting-still"})
        self._later(HOST_ENDS_WITHIN_S, {"event": "overdue"})

    def _later(self, seconds: float, event: dict[str, Any]) -> None:
        timer = threading.Timer(seconds, self._inbox.put, (event,))
        timer.daemon = True
        timer.start()

    def _host_ended(self, code: int) -> int | None:
        """The session's exit code, or None if another host is to take over."""
        if self._line is not None:
            with suppress(OSError):
                self._line.close()
            self._line = None
            self._listener.join(timeout=1.0)  # it closes the socket
        self._host = None
        if self._ending or not self._playing:
            return code if code >= 0 else 128 - code
        short = time.monotonic() - self._born_s < SHORT_LIFE_S
        self._short_lives = self._short_lives + 1 if short else 0
        _restore_terminal(self._terminal)
        how = f"was killed by signal {-code}" if code < 0 else f"ended with exit code {code}"
        if self._short_lives > CRASHES_ALLOWED:
            _print(f"voicer: the controlling process {how}, {self._short_lives} times in a row; the sound is ended")
            return 1
        _print(f"voicer: the controlling process {how}; the sound plays on, restarting it")
        self._later(PAUSES_S[min(self._short_lives, len(PAUSES_S) - 1)], {"event": "again"})
        return None

    def _end_engines(self) -> None:
        for number in self._told:
            self._engines.tell(number, "end")
        self._await_engines(ENGINES_END_WITHIN_S)
        for number in self._told:
            self._engines.kill(number)
        self._await_engines(ENGINES_END_WITHIN_S)

    def _await_engines(self, within_s: float) -> None:
        until_s = time.monotonic() + within_s
        while self._told and (left_s := until_s - time.monotonic()) > 0:
            with suppress(queue.Empty):
                event = self._inbox.get(timeout=left_s)
                if event.get("event") == "ended":
                    self._told.pop(event["engine"], None)


class Parent:
    """The host's side of the socket: engines as if they were its own, and the state that outlives it.

    Attributes
    ----------
    link, loop, ring : int
        Tickets of the shared memory.
    events : queue
        What engines tell.
    found : list
        Engines that are there already, with what they told.
    state : dict or None
        What an earlier host handed over last.
    """

    def __init__(self, descriptor: int, link: int, loop: int, ring: int) -> None:
        self.link, self.loop, self.ring = link, loop, ring
        self.events: queue.SimpleQueue[Any] = queue.SimpleQueue()
        os.set_inheritable(descriptor, False)
        self._lines = open(descriptor, closefd=False)  # noqa: SIM115  (open as long as the process lives)
        self._out = open(descriptor, "w", closefd=False)  # noqa: SIM115
        self._writing = threading.Lock()
        hello = json.loads(self._lines.readline())
        self.found: list[dict[str, Any]] = hello["engines"]
        self.state: dict[str, Any] | None = hello["state"]
        self._end_asked, self._gone = threading.Event(), threading.Event()
        self._pids = {one["engine"]: event["pid"] for one in self.found for event in one["events"] if "pid" in event}
        self._handed = self.state
        threading.Thread(target=self._listen, daemon=True, name="parent").start()

    @classmethod
    def from_environment(cls) -> Parent | None:
        """The parent this process was started by; None if it was started by hand. Children do not inherit it."""
        numbers = os.environ.pop(VARIABLE, "")
        if numbers:
            show_name("voicer-host")
        return cls(*(int(number) for number in numbers.split(","))) if numbers else None

    @property
    def asks_to_end(self) -> bool:
        """Whether the session is to end: the parent was told so, or is gone."""
        return self._end_asked.is_set()

    def start(self, number: int) -> None:
        """See `launch.Engines`."""
        self._send(do="start", engine=number)

    def tell(self, number: int, line: str) -> None:
        """See `launch.Engines`; without the parent an engine can still be ended, by a signal it takes as ``end``."""
        if not self.is_gone:
            self._send(do="tell", engine=number, line=line)
        elif line == "end":
            self._signal(number, signal.SIGTERM)

    def kill(self, number: int) -> None:
        """See `launch.Engines`."""
        if not self.is_gone:
            self._send(do="kill", engine=number)
        else:
            self._signal(number, signal.SIGKILL)

    @property
    def is_gone(self) -> bool:
        """See `launch.Engines`."""
        return self._gone.is_set()

    def _signal(self, number: int, which: int) -> None:
        if number in self._pids:
            with suppress(OSError):
                os.kill(self._pids[number], which)

    def hand_over(self, state: dict[str, Any]) -> None:
        """Leave the state for a next host, if it has changed."""
        if state != self._handed:
            self._handed = state
            self._send(do="state", state=state)

    def note_playing(self) -> None:
        """Say that sound plays: the end of this process is a crash from now on."""
        self._send(do="playing")

    def note_end(self) -> None:
        """Say that the end is in order."""
        self._send(do="bye")

    def _send(self, **message: Any) -> None:
        with self._writing, suppress(OSError, ValueError):
            self._out.write(json.dumps(message) + "\n")
            self._out.flush()

    def _listen(self) -> None:
        with suppress(OSError, ValueError):  # the last line may be cut off
            for line in self._lines:
                event = json.loads(line)
                if "engine" in event:
                    if "pid" in event:
                        self._pids[event["engine"]] = event["pid"]
                    self.events.put(event)
                elif event["event"] == "end":
                    self._end_asked.set()
        self._gone.set()
        self._end_asked.set()


def _warnings() -> list[str]:
    """Pass ``python -W`` on."""
    return [f"-W{option}" for option in sys.warnoptions]


def _terminal_modes() -> Any:
    """Modes of the terminal before a host changes them; None where there is none."""
    try:
        import termios

        return termios.tcgetattr(0)
    except (ImportError, OSError, ValueError):
        return None
    except Exception as error:  # termios.error has no common base with OSError
        if type(error).__module__ != "termios":
            raise
        return None


def _restore_terminal(modes: Any) -> None:
    """Undo what a dead host may have left: raw keys, a hidden cursor, a colour. In the background nothing was taken."""
    if modes is None:
        return
    import termios

    with suppress(OSError):
        if os.tcgetpgrp(0) != os.getpgrp():
            return  # the system would stop this process
    with suppress(termios.error, OSError, ValueError):
        termios.tcsetattr(0, termios.TCSANOW, modes)
        if sys.stdout.isatty():
            sys.stdout.write(_LEAVE_SCREEN)
            sys.stdout.flush()


def _print(line: str) -> None:
    with suppress(OSError, ValueError):  # the terminal may be closed
        sys.stderr.write(line + "\n")
        sys.stderr.flush()
