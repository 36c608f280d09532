"""TOML text to checked models.

Every complaint names file, line, key, value, rule and remedy.
"""

from __future__ import annotations

import json
import re
from typing import TYPE_CHECKING, Any, Literal, TypeVar, get_args, get_origin

from pydantic import BaseModel, ValidationError

from voicer.errors import FileError, VoicerError, did_you_mean
from voicer.files.toml_places import Loc, Place, key_places
from voicer.files.toml_plain import dotted, read_plain, shown, wrong_value

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from pydantic.fields import FieldInfo
    from pydantic_core import ErrorDetails

M = TypeVar("M", bound=BaseModel)

_TABLE_WANTED = {"model_type", "model_attributes_type", "dict_type"}


def read_model(
    text: str,
    model: type[M],
    *,
    where: str,
    explain: Callable[[ValidationError], tuple[str, str, str]] | None = None,
) -> M:
    """Read TOML text as a model; types are strict (``"2"`` is no number, ``1`` no switch).

    Parameters
    ----------
    text : str
        The whole file.
    model : type[M]
        A pydantic model; a list in the text may fill a list or tuple field.
    where : str
        The file as the user knows it; the message puts ``:line`` behind it.
    explain : callable, optional
        Words for a wrong value: ``(dotted key, what is wrong, remedy)``; by default `explain_value`.
        Unknown keys, missing keys and values in place of tables are worded here for every model.

    Raises
    ------
    FileError
        For TOML that is not well formed, and for the first thing in it that breaks the model.
    """
    data = read_plain(text, where=where)
    places = key_places(text)
    try:
        return model.model_validate_json(json.dumps(data), strict=True)
    except ValidationError as error:
        raise _complaint(error, model, places, where, explain) from error


def _complaint(
    error: ValidationError,
    model: type[BaseModel],
    places: dict[Loc, Place],
    where: str,
    explain: Callable[[ValidationError], tuple[str, str, str]] | None,
) -> FileError:
    loc, what, remedy = explain_error(error, model, explain)
    return wrong_value(where, places, _loc_named(what, places) or loc, what, remedy)


def explain_error(
    error: ValidationError,
    model: type[BaseModel],
    explain: Callable[[ValidationError], tuple[str, str, str]] | None = None,
) -> tuple[Loc, str, str]:
    """Word the complaint worth printing of pydantic's: (its place, what is wrong, remedy).

    Unknown keys, missing keys and values where a table belongs are worded here, wrong values by ``explain``.
    """
    first = _foremost(error.errors())
    loc, key = first["loc"], dotted(first["loc"])
    if first["type"] == "missing":
        return loc, f"{key} is missing", f"add a line '{loc[-1]} = …'"
    if first["type"] == "extra_forbidden":
        return loc, f"unknown key '{key}'", did_you_mean(str(loc[-1]), _names_beside(model, loc))
    if first["type"] in _TABLE_WANTED:
        return loc, f"{key} must be a table (got {shown(first['input'])})", f"write it as [{key}]"
    _, what, remedy = explain(error) if explain else explain_value(error, model)
    return loc, what, remedy


def _foremost(errors: list[ErrorDetails]) -> ErrorDetails:
    """The complaint to print: the first, but a misspelt key goes before the key that it leaves missing."""
    first = errors[0]
    if first["type"] != "missing":
        return first
    strange = {
        str(error["loc"][-1]): error
        for error in errors
        if error["type"] == "extra_forbidden" and error["loc"][:-1] == first["loc"][:-1]
    }
    near = did_you_mean(str(first["loc"][-1]), strange)
    return next((error for name, error in strange.items() if near == f"did you mean '{name}'?"), first)


def _loc_named(what: str, places: dict[Loc, Place]) -> Loc:
    """The key a cross-check's message starts with, if it is a key of this text or belongs to one of its tables."""
    parts: Loc = tuple(what.split(" ", 1)[0].split("."))
    return parts if parts in places or (len(parts) > 1 and parts[:-1] in places) else ()


def explain_value(error: ValidationError, model: type[BaseModel]) -> tuple[str, str, str]:
    """Word pydantic's first complaint by the model's own limits and units: (dotted key, what, remedy).

    A `VoicerError` raised by a validator is taken as it is; in another message a ``"; "`` parts what is wrong from
    the remedy.
    """
    first = error.errors()[0]
    key = dotted(first["loc"])
    if first["type"] == "value_error":
        raised = first["ctx"]["error"]
        if isinstance(raised, VoicerError):
            return key, raised.what, raised.remedy
        what, _, remedy = str(raised).partition("; ")
        return key, what, remedy
    rule = "text" if first["type"] == "string_type" else _rule(_field_at(model, first["loc"]))
    got, remedy = first["input"], ""
    if first["type"] == "literal_error" and isinstance(got, str):
        remedy = did_you_mean(got, re.findall(r"'([^']*)'", first["ctx"]["expected"]))
        remedy = remedy if remedy.startswith("did") else ""
    must = f"be {rule}" if rule else re.sub(r"^\S+ should ", "", first["msg"])
    return key, f"{key} must {must} (got {shown(got)})", remedy


def _rule(field: FieldInfo | None) -> str:
    """What the field allows, in the words of `voicing.Parameter.rule`; empty when it has no plain rule."""
    if field is None:
        return ""
    if field.annotation is bool:
        return "true or false"
    if get_origin(field.annotation) is Literal:
        return "one of " + ", ".join(str(choice) for choice in get_args(field.annotation))
    limits = {type(rule).__name__: rule for rule in field.metadata}
    if "Ge" not in limits or "Le" not in limits:
        return ""
    extra = field.json_schema_extra
    unit = str(extra.get("unit", "")) if isinstance(extra, dict) else ""
    span = f"{limits['Ge'].ge:g}..{limits['Le'].le:g}" + (f" {unit}" if unit else "")
    return f"a whole number in {span}" if field.annotation is int else f"in {span}"


def _field_at(model: type[BaseModel], loc: Loc) -> FieldInfo | None:
    """The field a pydantic location points at; list indices and union tags in it are passed over."""
    field, models = None, [model]
    for part in loc:
        for candidate in models:
            if part in candidate.model_fields:
                field = candidate.model_fields[str(part)]
                models = list(_models_in(field.annotation)) or models
                break
    return field


def _names_beside(model: type[BaseModel], loc: Loc) -> list[str]:
    around = _field_at(model, loc[:-1])
    models = [model] if around is None else list(_models_in(around.annotation))
    return [field.alias or name for candidate in models for name, field in candidate.model_fields.items()]


def _models_in(annotation: Any) -> Iterator[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for argument in get_args(annotation):
        yield from _models_in(argument)
