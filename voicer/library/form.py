"""The voicing file's form: text to voicing, and voicing to text that keeps what the user wrote.

The models are imported on use: a list of the shipped voicings needs none.

Numbers are written in the shortest form that reads back as the same number, so nothing is lost by saving.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from voicer.errors import FileError
from voicer.files.toml_edits import literal, with_value
from voicer.library.migration import SCHEMA, migrated, without_schema

if TYPE_CHECKING:
    from voicer.voicing import Voicing

_FRESH = """\
schema = {schema}
name = {v[name]}
notes = {v[notes]}

[line]
stages = {v[line.stages]:<18} # per device: 512, 1024, 2048 or 4096
devices = {v[line.devices]:<17} # in series

[delay]
time_ms = {v[delay.time_ms]:<17} # note to first repeat
shortest_ms = {v[delay.shortest_ms]:<13} # the span of the time control decides the clock parts
longest_ms = {v[delay.longest_ms]}
division = {v[delay.division]:<16} # note value kept to a tempo: 1/4, 1/8 dotted, 1/8 triplet …; session: the session's

[filters]
low_cut_hz = {v[filters.low_cut_hz]:<14} # -3 dB, as both cutoffs
anti_alias = {{ shape = {v[filters.anti_alias.shape]}, order = {v[filters.anti_alias.order]}, \
cutoff_hz = {v[filters.anti_alias.cutoff_hz]} }}
reconstruction = {{ shape = {v[filters.reconstruction.shape]}, order = {v[filters.reconstruction.order]}, \
cutoff_hz = {v[filters.reconstruction.cutoff_hz]} }}

[compander]
enabled = {v[compander.enabled]}
time_constant_ms = {v[compander.time_constant_ms]:<8} # averaging of both rectifiers

[repeats]
feedback = {v[repeats.feedback]:<16} # loop gain at its loudest frequency: 1.0 is the edge of self-oscillation

[modulation]
range = {v[modulation.range]:<19} # off, slow, fast
rate_hz = {v[modulation.rate_hz]}
depth_percent = {v[modulation.depth_percent]:<11} # peak clock deviation
shape = {v[modulation.shape]:<19} # triangle, sine

[output]
blend = {v[output.blend]:<19} # 0 dry, 1 echo only
level_db = {v[output.level_db]:<16} # after the blend

[flaws]                     # 1 as the device class has it, 0 ideal, 3 exaggerated
transfer_loss = {v[flaws.transfer_loss]}
saturation = {v[flaws.saturation]}
leakage = {v[flaws.leakage]}
noise = {v[flaws.noise]}
clock_bleed = {v[flaws.clock_bleed]}
"""


def file_schema() -> dict[str, Any]:
    """JSON Schema of a voicing file as it is written now, for editors to complete and check from."""
    from voicer.voicing import Voicing

    described = Voicing.model_json_schema()
    described["title"] = "A voicer voicing"
    described["properties"] = {"schema": {"const": SCHEMA, "type": "integer"}, **described["properties"]}
    described["required"] = ["schema", *described.get("required", [])]
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **described}


def parse(text: str, where: str) -> Voicing:
    """Read a voicing file's text, of this form or an older one.

    Parameters
    ----------
    text : str
        The whole file.
    where : str
        The file as the user knows it, for messages.

    Raises
    ------
    FileError
        With file, line, key, value, rule and remedy of the first thing that is wrong.
    """
    return _read_current(migrated(text, where), where)


def to_text(voicing: Voicing, old_text: str | None = None) -> str:
    """Write a voicing as text of the current form.

    Parameters
    ----------
    voicing : Voicing
        What the text will read back as, exactly.
    old_text : str, optional
        The existing file: its comments, order and formatting are kept and only what differs is
        changed. `FileError` if it is no voicing.
    """
    if old_text is None:
        return _fresh(voicing)
    text = migrated(old_text, "the old text")
    text = _with_changes(text, _read_current(text, "the old text"), voicing)
    try:
        # A key put into a table that was left out changes what the table's other keys default to.
        text = _with_changes(text, _read_current(text, "the new text"), voicing)
        faithful = parse(text, "the new text") == voicing
    except FileError:
        faithful = False
    return text if faithful else _fresh(voicing)


def _fresh(voicing: Voicing) -> str:
    from voicer.voicing import parameters

    values = {key: literal(voicing.get(key)) for key in parameters()}
    return "".join(line.rstrip() + "\n" for line in _FRESH.format(schema=SCHEMA, v=values).split("\n")[:-1])


def _read_current(text: str, where: str) -> Voicing:
    from voicer.files.toml_text import read_model
    from voicer.voicing import Voicing

    return read_model(without_schema(text), Voicing, where=where)


def _with_changes(text: str, old: Voicing, new: Voicing) -> str:
    from voicer.voicing import parameters

    for key in parameters():
        if new.get(key) != old.get(key):
            text = with_value(text, tuple(key.split(".")), new.get(key))
    return text
