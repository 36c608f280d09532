"""Commands about voicings: voicings, show, check, schema."""

from __future__ import annotations

from typing import Annotated, Any

import typer

from voicer import library
from voicer.cli.common import AsJson, Settings, VoicingName, app, changed, plain, print_columns, print_json, say
from voicer.errors import FileError, VoicerError, one_line


@app.command("voicings")
def voicings_command(
    history: Annotated[
        str | None, typer.Option(metavar="NAME", help="List its revisions; NAME@1 is the latest.")
    ] = None,
    restore: Annotated[str | None, typer.Option(metavar="NAME@N", help="Make a revision its text again.")] = None,
    rename: Annotated[
        tuple[str, str] | None, typer.Option(metavar="OLD NEW", help="Give a voicing of yours another name.")
    ] = None,
    duplicate: Annotated[
        tuple[str, str] | None, typer.Option(metavar="NAME NEW", help="Save a copy under another name.")
    ] = None,
    delete: Annotated[str | None, typer.Option(metavar="NAME", help="Move a voicing of yours to the bin.")] = None,
    deleted: Annotated[bool, typer.Option("--deleted", help="List what is in the bin.")] = False,
    bring_back: Annotated[str | None, typer.Option(metavar="NAME", help="Take it out of the bin.")] = None,
    as_json: AsJson = False,
) -> None:
    """List the voicings in the order that next and previous step through, or change the list.

    Revisions can be played, shown and compared like voicings: voicer compare harbour-dusk harbour-dusk@1

    Example: voicer voicings --history harbour-dusk
    """
    asked = {
        "list_history": history, "restore": restore, "rename": rename, "duplicate": duplicate, "delete": delete,
        "list_bin": deleted or None, "bring_back": bring_back,
    }  # fmt: skip
    wanted = {change: given for change, given in asked.items() if given is not None}
    if len(wanted) > 1:
        raise FileError(f"voicings takes one change at a time (got {len(wanted)})", remedy="give one option")
    if wanted:
        from voicer.cli.shelf_changes import CHANGES

        ((change, given),) = wanted.items()
        CHANGES[change](given, as_json)
        return
    entries = library.listing()
    if as_json:
        fields = ("name", "title", "notes", "shipped", "slot", "error", "shadows_shipped")
        print_json([{name: getattr(entry, name) for name in fields} | {"path": str(entry.path)} for entry in entries])
        return
    rows = [("slot", "name", "notes")]
    for entry in entries:
        whose = "" if entry.shipped else " (yours, replaces the shipped one)" if entry.shadows_shipped else " (yours)"
        slot = "" if entry.slot is None else str(entry.slot)
        rows.append((slot, entry.name + whose, entry.error or entry.notes))
    print_columns(rows)


@app.command("setlists")
def setlists_command(
    setlist: Annotated[str | None, typer.Argument(metavar="[SETLIST]", help="A name or a file.")] = None,
    as_json: AsJson = False,
) -> None:
    """List the setlists, or check one: its songs, voicings and tempos.

    Exit code 2 if a voicing of it cannot be played.

    Example: voicer setlists friday
    """
    from voicer.library.setlists import faults, list_setlists, load_setlist, setlists_folder

    if setlist is None:
        names = list_setlists()
        if as_json:
            print_json(names)
        else:
            say(*(names or [f"there are none; write one in {setlists_folder()}"]))
        return
    found = load_setlist(setlist)
    wrong = faults(found)
    if as_json:
        print_json(found.model_dump() | {"errors": {str(place + 1): line for place, line in wrong.items()}})
    else:
        rows = [("song", "title", "voicing", "tempo")]
        for place, song in enumerate(found.song):
            tempo = "" if song.tempo_bpm is None else f"{song.tempo_bpm:g}/min"
            rows.append((str(place + 1), song.title, song.voicing, tempo))
        print_columns(rows)
    for place, line in wrong.items():
        say(f"voicer: {one_line(setlist)}: song {place + 1}: {line}", err=True)
    if wrong:
        raise typer.Exit(2)


@app.command()
def show(voicing: VoicingName, settings: Settings = None, as_json: AsJson = False) -> None:
    """Print a voicing and the figures of its circuit.

    Example: voicer show old-dredger --set delay.time_ms=300
    """
    from rich.table import Table

    from voicer.board import design
    from voicer.circuit import collect_facts, fact_lines
    from voicer.drawing.terminal import console
    from voicer.voicing import parameters

    shown = changed(library.load(voicing), settings)
    circuit = design(shown)
    if as_json:
        print_json({"voicing": shown.model_dump(), "circuit": collect_facts(circuit)})
        return
    table = Table(box=None, pad_edge=False, show_header=False)
    for key, known in parameters().items():
        table.add_row(key, f"{plain(shown.get(key))}{f' {known.unit}' if known.unit else ''}")
    table.add_section()
    for what, value in fact_lines(circuit):
        table.add_row(what, value)
    console().print(table)


@app.command()
def check(
    files: Annotated[list[str], typer.Argument(metavar="FILE…", help="Voicing files or names.")],
    as_json: AsJson = False,
) -> None:
    """Check voicings: one line per error, and exit code 2 if there are any.

    Example: voicer check my-voicing.toml
    """
    from voicer.board import design
    from voicer.circuit import remarks

    results, wrong = [], False
    for name in files:
        result: dict[str, Any] = {"name": name, "ok": True, "error": None, "remarks": []}
        try:
            result["remarks"] = [remark.line for remark in remarks(design(library.load(name)))]
        except VoicerError as error:
            where = "" if error.where else f"{one_line(name)}: "
            result |= {"ok": False, "error": f"{where}{error}"}
            wrong = True
        results.append(result)
    if as_json:
        print_json(results)
    for result in [] if as_json else results:
        if result["error"]:
            say(f"voicer: {result['error']}", err=True)
            continue
        say(f"{result['name']}: valid", *(f"  note: {line}" for line in result["remarks"]))
    if wrong:
        raise typer.Exit(2)


@app.command()
def schema() -> None:
    """Print the JSON Schema of voicing files, for completion in an editor.

    Example: voicer schema > voicing.schema.json
    """
    from voicer.library.form import file_schema

    print_json(file_schema())
