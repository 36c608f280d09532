"""The command for listening side by side: compare."""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, TextIO

import typer
from rich.table import Table

from voicer import library
from voicer.board import design
from voicer.cli.common import PREPARING, AsJson, CeilingDb, Overwrite, app, print_json, progress_bar, say
from voicer.cli.playing import CAUTION
from voicer.drawing.terminal import console
from voicer.errors import FileError, VoicerError, printable

if TYPE_CHECKING:
    from voicer.compare.blind import Session, Which
    from voicer.compare.differences import Row
    from voicer.compare.pair import Pair
    from voicer.devices.listening import Player

LISTENING = Path("listening")
"""Folder of a blind test for which none is named."""


@dataclass(frozen=True)
class _Write:
    """What may be replaced, and what never is."""

    overwrite: bool
    inputs: list[Path]

    def check(self, folder: Path) -> None:
        """Refuse a folder that holds the sounds of another run, before any work."""
        from voicer.files.whole_folder import check_free

        check_free(folder, ["A.wav", "B.wav"], overwrite=self.overwrite, inputs=self.inputs)


@app.command("compare")
def compare_command(
    a: Annotated[str | None, typer.Argument(metavar="A", help="A name from 'voicer voicings', or a file.")] = None,
    b: Annotated[str | None, typer.Argument(metavar="B", help="The other voicing.")] = None,
    source: Annotated[
        Path | None, typer.Option("--input", metavar="FILE", help="Recording to play through both; default: the riff.")
    ] = None,
    out: Annotated[Path | None, typer.Option("--out", metavar="DIR", help="Folder for A.wav and B.wav.")] = None,
    tail: Annotated[float, typer.Option(min=0, max=600, help="Seconds of silence after the recording.")] = 4.0,
    ceiling_db: CeilingDb = -3.0,
    blind: Annotated[bool, typer.Option("--blind", help="Run a blind test: X is A or B, and you say which.")] = False,
    trials: Annotated[
        int | None, typer.Option(min=5, max=1000, help="Number of trials, fixed at the start; default: 16.")
    ] = None,
    answers: Annotated[
        Path | None, typer.Option("--answers", metavar="FILE", help="Answers file; default: DIR/answers.jsonl.")
    ] = None,
    result: Annotated[bool, typer.Option("--result", help="Show the result of the test in --answers.")] = False,
    play: Annotated[bool, typer.Option("--play", help="Play X through PortAudio.")] = False,
    draw: Annotated[int | None, typer.Option(min=0, help="Seed for a repeatable order of X.")] = None,
    overwrite: Overwrite = False,
    as_json: AsJson = False,
) -> None:
    """Compare two voicings: level-matched renders, figures side by side and a blind test.

    Example: voicer compare harbour-dusk old-dredger --out listening --blind
    """
    blind_only = {"--trials": trials, "--answers": answers, "--play": play or None, "--draw": draw}
    if result:
        _print_result(answers, as_json)
        return
    if alone := [name for name, value in blind_only.items() if value is not None and not blind]:
        raise VoicerError(f"{alone[0]} requires --blind", remedy="add --blind, or leave it out")
    if a is None or b is None:
        got = "one" if a else "none"
        raise VoicerError(f"compare needs two voicings, A and B (got {got})", remedy="see 'voicer voicings'")
    say(CAUTION, err=as_json)
    write = _Write(overwrite, [source] if source else [])
    if blind:
        folder = out or LISTENING
        kept = answers or folder / "answers.jsonl"
        _test_blind(lambda: _pair(a, b, source, tail, ceiling_db), folder, kept, trials, play, draw, write, as_json)
        return
    if out:
        write.check(out)
    pair = _pair(a, b, source, tail, ceiling_db)
    _print_figures(pair, out, write, as_json)


def _pair(a: str, b: str, source: Path | None, tail_s: float, ceiling_db: float) -> Pair:
    circuits = [design(library.load(name)) for name in (a, b)]
    from voicer.compare.pair import load_programme, render_pair

    programme = load_programme(source, tail_s)
    with progress_bar() as bar:
        task = bar.add_task(PREPARING, total=1.0)

        def progress(share: float) -> None:
            bar.update(task, completed=share, description="rendering")

        return render_pair(programme, *circuits, ceiling_db=ceiling_db, progress=progress)


def _print_figures(pair: Pair, out: Path | None, write: _Write, as_json: bool) -> None:
    from voicer.compare.pair import as_json as as_data
    from voicer.compare.pair import write_pair

    rows = pair.rows()
    written = write_pair(pair, out, overwrite=write.overwrite, inputs=write.inputs) if out else []
    if as_json:
        print_json(as_data(pair, rows) | {"written": [str(path) for path in written]})
        return
    screen = console()
    names = ", ".join(f"{name}: {circuit.name}" for name, circuit in pair.circuits.items())
    screen.print(f"{names}, over {pair.programme.name}", soft_wrap=True)
    screen.print(_figure_table(rows))
    for row in rows:
        if row.heard and row.rule:
            screen.print(f"audible: {row.label} (threshold: {row.rule.describe(row.unit)})", soft_wrap=True)
    if not any(row.heard for row in rows):
        screen.print("no figure differs by enough to be audible")
    for name, gain_db in pair.gain_db.items():
        if gain_db < 0:
            screen.print(f"level matching: {name} turned down by {-gain_db:.1f} dB", soft_wrap=True)
    for path in written:
        screen.print(str(path), soft_wrap=True)


def _figure_table(rows: list[Row]) -> Table:
    table = Table(box=None, pad_edge=False)
    table.add_column("", no_wrap=True)
    for header in ("A", "B", "B - A", "threshold"):
        table.add_column(header, justify="right")
    table.add_column("")
    table.add_column("audible")
    for row in rows:
        verdict = {True: "yes", False: "no", None: ""}[row.heard]
        difference = "" if row.difference is None else row.text(row.difference, sign=True)
        threshold = "" if row.threshold is None else row.text(row.threshold)
        table.add_row(row.label, row.text(row.a), row.text(row.b), difference, threshold, row.unit, verdict)
    return table


def _test_blind(
    render: Callable[[], Pair], folder: Path, answers: Path, trials: int | None, play: bool, draw: int | None,
    write: _Write, as_json: bool,
) -> None:  # fmt: skip
    from voicer.compare.answers import Sitting, listen, read_session
    from voicer.compare.blind import TRIALS, Session, check_resumable, draw_order, plan_session
    from voicer.compare.pair import write_pair

    if answers.parent != folder and not answers.parent.is_dir():
        raise FileError(f"the folder '{answers.parent}' does not exist", where=str(answers), remedy="create it first")
    earlier = read_session(answers) if answers.exists() else None
    if earlier is None:
        write.check(folder)
    player = None
    if play:
        from voicer.devices.listening import Player

        player = Player()
    pair = render()
    plan = plan_session(pair, trials or (earlier.plan.trials if earlier else TRIALS))
    if earlier:
        check_resumable(earlier, plan, answers)
    session = earlier or Session(plan)
    told = sys.stderr if as_json else sys.stdout
    say(*write_pair(pair, folder, overwrite=write.overwrite, inputs=write.inputs), err=as_json)
    _print_plan(session, err=as_json)
    listener = _Listener(pair, plan.trials, player, told)
    try:
        sitting = Sitting(pair, answers, folder, write.overwrite, write.inputs)
        session = listen(session, sitting, listener.ask, draw_order(draw))
    finally:
        if player:
            player.stop()
    _print_session(session, answers, as_json)


def _print_plan(session: Session, *, err: bool) -> None:
    from voicer.compare.blind import CHANCE, TEST, least_right

    trials = session.plan.trials
    say(f"{trials} trials. {least_right(trials)} or more correct would show an audible difference ({TEST}, p < "
        f"{CHANCE:g}). The result comes after the last trial.", err=err)  # fmt: skip
    if session.answers:
        say(f"{len(session.answers)} answered, {session.left} left.", err=err)


class _Listener:
    """The listener at the terminal: answers on standard input, questions out."""

    def __init__(self, pair: Pair, trials: int, player: Player | None, told: TextIO) -> None:
        self._pair, self._trials, self._player, self._told = pair, trials, player, told

    def ask(self, trial: int, x_wav: Path, x: Which) -> Which | None:
        """The answer, or None when the listener ends the sitting."""
        sounds: dict[str, Which] = {"PA": "A", "PB": "B", "PX": x} if self._player else {}
        self._play(x)
        more = "; pa, pb, px play a sound" if self._player else ""
        self._say(f"Trial {trial} of {self._trials}: listen to {x_wav}. A or B? (q quits{more}) ")
        while True:
            line = sys.stdin.readline()
            said = line.strip().upper()
            if not line or said in ("Q", "QUIT"):
                self._say("\n")
                return None
            if said in ("A", "B"):
                return "A" if said == "A" else "B"
            if said in sounds:
                self._play(sounds[said])
            self._say("A or B? ")

    def _play(self, which: Which) -> None:
        if self._player:
            self._player.play(self._pair.sounds[which], self._pair.programme.sample_rate_hz)

    def _say(self, text: str) -> None:
        self._told.write("\n".join(map(printable, text.split("\n"))))
        self._told.flush()


def _print_result(answers: Path | None, as_json: bool) -> None:
    from voicer.compare.answers import read_session

    if answers is None:
        raise VoicerError("--result requires --answers FILE", remedy="name the answers file of the test")
    _print_session(read_session(answers), answers, as_json)


def _print_session(session: Session, answers: Path, as_json: bool) -> None:
    if as_json:
        print_json(session.as_json() | {"answers": str(answers)})
        return
    plan = session.plan
    say(f"A: {plan.a}, B: {plan.b}, over {plan.input}", *session.report(), f"The answers are in {answers}.")
