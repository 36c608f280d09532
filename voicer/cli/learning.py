"""The command for the player's own controller: learn."""

from __future__ import annotations

import sys
import time
from typing import TYPE_CHECKING, Annotated

import typer

from voicer.cli.common import app, print_columns, say
from voicer.errors import FileError, VoicerError, one_line

if TYPE_CHECKING:
    from voicer.control.controller import Came, Controller

_LOOK_S = 0.05


@app.command("learn")
def learn_command(
    targets: Annotated[
        list[str] | None, typer.Argument(metavar="[WHAT…]", help="Parameters and actions to bind, one after another.")
    ] = None,
    monitor: Annotated[bool, typer.Option("--monitor", help="Show every message and what it does.")] = False,
    show: Annotated[bool, typer.Option("--list", help="List what is bound, and what there is to bind.")] = False,
    undo: Annotated[bool, typer.Option("--undo", help="Take back the last binding.")] = False,
    replace: Annotated[bool, typer.Option("--replace", help="Give up another use of the control.")] = False,
    midi: Annotated[str, typer.Option(metavar="auto|PORT", help="MIDI input, number or partial name.")] = "auto",
    seconds: Annotated[float | None, typer.Option(min=0.1, help="Stop after this many seconds.")] = None,
) -> None:
    """Bind a control to a parameter or an action: choose it, move the control.

    Works while voicer plays too; what is learnt is in force at once.

    Example: voicer learn repeats.feedback tap-tempo
    """
    if show:
        _list()
        return
    if undo:
        _undo()
        return
    if not monitor and not targets and not sys.stdin.isatty():
        raise FileError("learn needs something to bind", remedy="name it; voicer learn --list shows what there is")
    from voicer.control.controller import Controller
    from voicer.control.map_files import load_maps

    maps, complaints = load_maps()
    say(*complaints, err=True) if complaints else None
    controller = Controller(maps)
    controller.listen(midi)
    until_s = time.monotonic() + seconds if seconds is not None else float("inf")
    try:
        if monitor:
            _monitor(controller, until_s)
        else:
            _learn(controller, targets or [], replace, until_s)
    except KeyboardInterrupt:
        pass
    finally:
        controller.close()


def _learn(controller: Controller, targets: list[str], replace: bool, until_s: float) -> None:
    from voicer import library
    from voicer.play.binding import Binder
    from voicer.play.session import Session

    binder, playing = Binder(), Session("harbour-dusk", library.load("harbour-dusk"))
    controller.taken = binder.hear
    waiting, asks = list(targets), not targets
    while waiting or asks:
        wanted = waiting.pop(0) if waiting else input("what to bind (a parameter or an action; nothing ends): ").strip()
        if not wanted:
            return
        say(binder.begin(wanted))
        while binder.wanted:
            if time.monotonic() > until_s:
                raise FileError(f"no control was moved for {binder.wanted}", remedy="see voicer learn --monitor")
            controller.drain(playing, _LOOK_S)
            _say_changes(controller)
            for told in binder.look():
                say(told.line, err=told.bad)
            if binder.pending is not None:
                if replace or (sys.stdin.isatty() and typer.confirm("give up the old use?")):
                    say(binder.replace().line)
                elif targets:
                    raise typer.Exit(2)
                else:
                    binder.cancel()


def _monitor(controller: Controller, until_s: float) -> None:
    from voicer import library
    from voicer.control.words import told
    from voicer.play.session import Session

    playing = Session("harbour-dusk", library.load("harbour-dusk"))
    said = 0

    def show(came: Came) -> None:
        nonlocal said
        words = told(came.message) if came.message else "nothing that voicer uses"
        if words == "clock":
            said += 1
            if said % 24 != 1:
                return
            words = "clock (every 24th is shown)"
        raw = came.data[:12].hex(" ") + (" …" if len(came.data) > 12 else "")
        use = came.did or (f"bound to {came.bound}, waits for its value" if came.bound else "bound to nothing")
        say(f"{one_line(came.port)}   {raw}   {words}   {use}")

    controller.on_message = show
    say("move a control; Ctrl-C ends. What it does is told for a fresh voicing")
    while time.monotonic() < until_s:
        playing.handle(controller.drain(playing, _LOOK_S))
        _say_changes(controller)


def _say_changes(controller: Controller) -> None:
    for line in controller.changes():
        say(line)


def _list() -> None:
    from voicer.control.map_files import load_maps
    from voicer.control.mapfile import told_place
    from voicer.control.targets import SESSION
    from voicer.play.binding import ACTIONS
    from voicer.voicing import parameters

    maps, complaints = load_maps()
    say(*complaints, err=True) if complaints else None
    rows, bound = [("map", "control", "bound to")], set()
    for one in maps.all:
        for control in one.file.control:
            rows.append((one.file.name, told_place(control.place), control.parameter))
            bound.add(control.parameter)
        for button in one.file.button:
            rows.append((one.file.name, told_place(button.place), button.action))
            bound.add(button.action)
    print_columns(rows)
    movable = [key for key, known in {**parameters(), **SESSION}.items() if known.kind != "text"]
    free = [what for what in [*movable, *ACTIONS] if what not in bound]
    say("", "not bound: " + ", ".join(free))


def _undo() -> None:
    from voicer.control.map_edit import BEFORE, undo
    from voicer.control.map_files import own_files

    changed = [path for path in own_files() if path.with_suffix(path.suffix + BEFORE).exists()]
    if not changed:
        raise FileError("nothing was bound yet", remedy="see voicer learn --list")
    try:
        say(undo(max(changed, key=lambda path: path.stat().st_mtime)))
    except OSError as error:
        raise VoicerError(f"the map cannot be read ({error.strerror})", remedy="check its permissions") from error
