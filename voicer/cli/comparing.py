"""The command for those who listen: compare."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from rich.console import Console
from rich.table import Table
from rich.text import Text

from voicer import library
from voicer.board import design
from voicer.cli.common import PREPARING, AsJson, CeilingDb, app, print_json, progress_bar
from voicer.cli.playing import CAUTION
from voicer.errors import FileError, VoicerError

if TYPE_CHECKING:
    from voicer.compare.blind import Which
    from voicer.compare.differences import Row
    from voicer.compare.pair import Pair
    from voicer.devices.listening import Player

LISTENING = Path("listening")
"""Folder of a blind session for which none is named."""


@app.command("compare")
def compare_command(
    a: Annotated[str | None, typer.Argument(metavar="A", help="A name from 'voicer voicings', or a file.")] = None,
    b: Annotated[str | None, typer.Argument(metavar="B", help="Another.")] = None,
    source: Annotated[
        Path | None, typer.Option("--input", metavar="FILE", help="Recording to hear them over; else a riff.")
    ] = None,
    out: Annotated[Path | None, typer.Option("--out", metavar="DIR", help="Write A.wav and B.wav there.")] = None,
    tail: Annotated[float, typer.Option(min=0, max=600, help="Seconds of silence behind the input.")] = 4.0,
    ceiling_db: CeilingDb = -3.0,
    blind: Annotated[bool, typer.Option("--blind", help="Be asked which of the two X.wav is.")] = False,
    trials: Annotated[int | None, typer.Option(min=1, max=1000, help="How often you are asked; 16.")] = None,
    answers: Annotated[
        Path | None, typer.Option("--answers", metavar="FILE", help="Where answers are kept; DIR/answers.jsonl.")
    ] = None,
    result: Annotated[bool, typer.Option("--result", help="Tell what the answers of --answers amount to.")] = False,
    play: Annotated[bool, typer.Option("--play", help="Play X through PortAudio.")] = False,
    draw: Annotated[int | None, typer.Option(min=0, help="Draw X from this number: the same again.")] = None,
    as_json: AsJson = False,
) -> None:
    """Compare two voicings: equally loud renders, figures side by side, and whether you hear the difference.

    Example: voicer compare harbour-dusk old-dredger --out listening --blind
    """
    blind_only = {"--trials": trials, "--answers": answers, "--play": play or None, "--draw": draw}
    if result:
        _tell_result(answers, as_json)
        return
    if alone := [name for name, value in blind_only.items() if value is not None and not blind]:
        raise VoicerError(f"{alone[0]} must come with --blind", remedy="add --blind, or leave it out")
    if a is None or b is None:
        got = "one" if a else "none"
        raise VoicerError(f"compare must be given two voicings, A and B (got {got})", remedy="see 'voicer voicings'")
    print(CAUTION, file=sys.stderr if as_json else sys.stdout, flush=True)
    if blind:
        folder = out or LISTENING
        kept = answers or folder / "answers.jsonl"
        _blind(lambda: _pair(a, b, source, tail, ceiling_db), folder, kept, trials, play, draw, as_json)
        return
    pair = _pair(a, b, source, tail, ceiling_db)
    _tell_figures(pair, out, as_json)


def _pair(a: str, b: str, source: Path | None, tail_s: float, ceiling_db: float) -> Pair:
    circuits = [design(library.load(name)) for name in (a, b)]
    from voicer.compare.pair import compare, programme

    played = programme(source, tail_s)
    with progress_bar() as bar:
        task = bar.add_task(PREPARING, total=1.0)

        def progress(share: float) -> None:
            bar.update(task, completed=share, description="rendering")

        return compare(played, *circuits, ceiling_db=ceiling_db, progress=progress)


def _tell_figures(pair: Pair, out: Path | None, as_json: bool) -> None:
    from voicer.compare.pair import as_json as as_data
    from voicer.compare.pair import write_pair

    rows = pair.rows()
    written = write_pair(pair, out) if out else []
    if as_json:
        print_json(as_data(pair, rows) | {"written": [str(path) for path in written]})
        return
    console = Console()
    console.print(f"over {pair.programme.name}:", soft_wrap=True, markup=False)
    console.print(_figure_table(pair, rows))
    for row in rows:
        if row.heard and row.rule:
            told = f"can be heard: {row.label} (threshold: {row.rule.told(row.unit)})"
            console.print(told, soft_wrap=True, markup=False)
    if not any(row.heard for row in rows):
        console.print("no figure differs by what can be heard")
    for name, gain_db in pair.gain_db.items():
        if gain_db < 0:
            console.print(f"level-matched: {name} is turned by {gain_db:.1f} dB", soft_wrap=True)
    for path in written:
        console.print(str(path), soft_wrap=True, markup=False)


def _figure_table(pair: Pair, rows: list[Row]) -> Table:
    table = Table(box=None, pad_edge=False)
    table.add_column("")
    for name, circuit in pair.circuits.items():
        table.add_column(Text(f"{name}: {circuit.name}"), justify="right")
    table.add_column("")
    table.add_column("can be heard")
    for row in rows:
        marked = {True: "yes", False: "no", None: ""}[row.heard]
        table.add_row(row.label, _value(row.a), _value(row.b), row.unit, marked)
    return table


def _value(value: float | None) -> str:
    return "off" if value is None else f"{value + 0:.4g}" if abs(value) < 1000 else f"{value:.0f}"


def _blind(
    pair_of: Callable[[], Pair], folder: Path, answers: Path, trials: int | None, play: bool, draw: int | None,
    as_json: bool,
) -> None:  # fmt: skip
    from voicer.compare import blind
    from voicer.compare.pair import write_pair

    if answers.parent != folder and not answers.parent.is_dir():
        what = f"the folder '{answers.parent}' must be there (it is not)"
        raise FileError(what, where=str(answers), remedy="make it first")
    earlier = blind.read_session(answers) if answers.exists() else None
    player = None
    if play:
        from voicer.devices.listening import Player

        player = Player()
    pair = pair_of()
    planned = trials or (earlier.head.trials if earlier else blind.TRIALS)
    head = blind.head_of(pair, planned)
    session = blind.to_go_on(earlier, head, answers) if earlier else blind.Session(head)
    told = sys.stderr if as_json else sys.stdout
    for path in write_pair(pair, folder):
        print(path, file=told)
    listener = _Listener(pair, planned, player, told)
    try:
        session = blind.listen(session, pair, folder, answers, listener.ask, blind.order(draw))
    finally:
        if player:
            player.stop()
    _tell_session(session, answers, as_json)


class _Listener:
    """The one at the terminal: standard input in, questions out."""

    def __init__(self, pair: Pair, trials: int, player: Player | None, told: Any) -> None:
        self._pair, self._trials, self._player, self._told = pair, trials, player, told

    def ask(self, trial: int, x_wav: Path, x: Which) -> Which | None:
        """The answer, or None when there is none to come."""
        sounds: dict[str, Any] = {"PA": "A", "PB": "B", "PX": x} if self._player else {}
        self._play(x)
        more = "; pa, pb, px play a sound" if self._player else ""
        self._say(f"Trial {trial} of {self._trials}: listen to {x_wav}. A or B? (q ends{more}) ")
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

    def _play(self, which: str) -> None:
        if self._player:
            self._player.play(self._pair.sounds[which], self._pair.programme.sample_rate_hz)

    def _say(self, text: str) -> None:
        print(text, end="", file=self._told, flush=True)


def _tell_result(answers: Path | None, as_json: bool) -> None:
    from voicer.compare.blind import read_session

    if answers is None:
        raise VoicerError("--result must come with --answers FILE", remedy="name the file of the session")
    _tell_session(read_session(answers), answers, as_json)


def _tell_session(session: Any, answers: Path, as_json: bool) -> None:
    if as_json:
        print_json(session.as_json() | {"answers": str(answers)})
        return
    print(f"A: {session.head.a}, B: {session.head.b}, over {session.head.input}")
    for line in session.says():
        print(line)
    print(f"The answers are in {answers}.")
