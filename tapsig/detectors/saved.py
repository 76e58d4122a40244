"""Detectors in JSON files. Every field is checked when it is read; nothing is executed.

{"format": "tapsig-detector", "version": 1, "name": "sta-lta", "parameters": {"on": 4.0, …}}
"""

import dataclasses
import importlib
import json
import os
import typing
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, cast, overload

from tapsig.detectors.base import ParameterisedVariant, Variant
from tapsig.detectors.catalogue import CATALOGUE, variant_class
from tapsig.detectors.parameters import Parameters, read_settings, replace_parameters
from tapsig.errors import ParameterError, RecordingError
from tapsig.loading.corpus import CorpusEntry
from tapsig.loading.files import check_file, check_target, replace_file, to_path
from tapsig.records import Recording
from tapsig.units import finite_number

if TYPE_CHECKING:  # at run time a module is imported only when its detector is used
    from tapsig.detectors.chance import Null, Random
    from tapsig.detectors.fixed_threshold import FixedThreshold
    from tapsig.detectors.innovation import Innovation
    from tapsig.detectors.prominence import Prominence
    from tapsig.detectors.ring_following import RingFollowing
    from tapsig.detectors.spectral_flux import SpectralFlux
    from tapsig.detectors.sta_lta import StaLta
    from tapsig.detectors.tap import Tap

FORMAT, VERSION = "tapsig-detector", 1
_LARGEST_BYTES = 50_000_000
_KINDS = {float: "a finite number", int: "a whole number"}


@overload
def load_detector(spec: Literal["null"], **parameters: object) -> "Null": ...
@overload
def load_detector(spec: Literal["random"], **parameters: object) -> "Random": ...
@overload
def load_detector(spec: Literal["fixed-threshold"], **parameters: object) -> "FixedThreshold": ...
@overload
def load_detector(spec: Literal["prominence"], **parameters: object) -> "Prominence": ...
@overload
def load_detector(spec: Literal["sta-lta"], **parameters: object) -> "StaLta": ...
@overload
def load_detector(spec: Literal["spectral-flux"], **parameters: object) -> "SpectralFlux": ...
@overload
def load_detector(spec: Literal["ring-following"], **parameters: object) -> "RingFollowing": ...
@overload
def load_detector(spec: Literal["innovation"], **parameters: object) -> "Innovation": ...
@overload
def load_detector(spec: Literal["tap"], **parameters: object) -> "Tap": ...
@overload
def load_detector(spec: str | Path, **parameters: object) -> ParameterisedVariant: ...
def load_detector(spec: str | Path, **parameters: object) -> ParameterisedVariant:
    """A detector by name, from a file, or of your own.

    Parameters
    ----------
    spec : str or Path
        A name of the catalogue, a .json file, or `module:attribute`, a variant or its class. This imports the module:
        name only code that you trust. Parameters may follow: "tap,order=4", "fitted.json,probability=0.5".
    **parameters
        Parameters of the detector to change, such as probability=0.7.

    Returns
    -------
    ParameterisedVariant
        A dataclass of parameters, for a name of the catalogue its class; `build(fs)` makes the running detector,
        `get_params` and `set_params` work as in scikit-learn. Your own has these two if its class has them, for example
        from `tapsig.detectors.Parameters`.

    Raises
    ------
    ParameterError
        For an unknown name, a file that is not a detector, an unknown parameter or a value outside its range.

    Examples
    --------
    >>> load_detector("fixed-threshold", dead_time_s=0.2)
    FixedThreshold(threshold_v=0.1, dead_time_s=0.2, bias_time_s=0.5)
    """
    if not isinstance(spec, (str, os.PathLike)):
        raise ParameterError(f"spec is {spec!r:.80}; it must be a name, the path of a file, or 'module:attribute'")
    return cast(ParameterisedVariant, replace_parameters(_load_variant(spec), parameters))


def _load_variant(spec: str | Path) -> Variant:
    text = str(spec)
    if text in CATALOGUE:
        return CATALOGUE[text]
    if text.lower().endswith(".json"):
        return _read(Path(spec))
    name, *settings = text.split(",")
    if settings and (name in CATALOGUE or all("=" in setting for setting in settings)):
        return read_settings(_load_variant(name), settings)
    module, colon, attribute = text.partition(":")
    if colon and all(part.isidentifier() for part in [*module.split("."), *attribute.split(".")]):
        return _import(module, attribute)
    return variant_class(text)()  # not in the catalogue: raises with its names


def write_detector(variant: Variant | str, path: str | Path) -> None:
    """Write a detector as JSON, replacing an existing file; `load_detector` reads it.

    Parameters
    ----------
    variant : Variant or str
        One of the catalogue, fitted (the `variant` of what `fit` returns) or not, or what `load_detector` takes.
    path : str or Path
        The file, which should end in .json.

    Raises
    ------
    ParameterError
        For a variant that is not of the catalogue, since a file must not name code to run; for a folder that is not
        there.
    """
    text = render_detector(find_variant(variant))
    path = to_path("path", path)
    check_target(path, force=True, option="path")
    replace_file(path, text.encode())


def identify_recording(recording: Recording | CorpusEntry) -> str:
    """Name by which a fitted model records `recording`: the vehicle, else the file's name, else ""."""
    path = recording.source if isinstance(recording, Recording) else recording.path
    return recording.vehicle or Path(path).name


def find_fitted(variant: Variant, recordings: Iterable[Recording | CorpusEntry]) -> tuple[str, ...]:
    """Names of those `recordings` that `variant` was fitted to, on which its scores are biased."""
    fitted = set(getattr(getattr(variant, "model", None), "fitted_to", ()))
    return tuple(sorted(fitted.intersection(map(identify_recording, recordings))))


def render_detector(variant: Variant) -> str:
    """The JSON text of `variant`, as `load_detector` reads it."""
    name = variant.name
    if name not in CATALOGUE or type(variant) is not variant_class(name):
        raise ParameterError(
            f"{type(variant).__name__} is not a detector of the catalogue; only these are saved as files."
            " Load your own by import path (module:attribute)"
        )
    fields = dataclasses.fields(variant)  # type: ignore[arg-type]
    parameters = {field.name: getattr(variant, field.name) for field in fields}
    document = {"format": FORMAT, "version": VERSION, "name": name, "parameters": parameters}
    return json.dumps(document, indent=1, ensure_ascii=False, allow_nan=False, default=_to_plain) + "\n"


def _to_plain(value: Any) -> object:
    """A model, or a number of numpy."""
    return value.to_json() if hasattr(value, "to_json") else value.item()


def _import(module: str, attribute: str) -> Variant:
    try:
        found: object = importlib.import_module(module)
        for part in attribute.split("."):
            found = getattr(found, part)
        variant = found() if isinstance(found, type) else found
    except Exception as error:  # foreign code may raise anything
        remedy = "; its folder must be in PYTHONPATH" if isinstance(error, ModuleNotFoundError) else ""
        raise ParameterError(
            f"the detector {module}:{attribute} cannot be imported: {type(error).__name__}: {error}{remedy}"
        ) from error
    return _require_variant(variant, f"{module}:{attribute}")


def find_variant(detector: Variant | str | Path) -> Variant:
    """A variant as it is, or the one that `load_detector` gives for a name.

    Raises ParameterError for anything else, such as a class.
    """
    if isinstance(detector, (str, Path)):
        return load_detector(detector)
    if isinstance(detector, type):
        raise ParameterError(f"the detector is the class {detector.__name__}; give an instance: {detector.__name__}()")
    return _require_variant(detector, "the detector")


def _require_variant(found: object, what: str) -> Variant:
    if not callable(getattr(found, "build", None)) or not isinstance(getattr(found, "name", None), str):
        if isinstance(getattr(found, "variant", None), Parameters):  # as `fit` returns it
            raise ParameterError(f"{what} is a {type(found).__name__}, which holds one; give its `variant`")
        raise ParameterError(
            f"{what} is a {type(found).__name__}; a detector variant has a text `name`"
            " and `build(fs, *, keep_rejected=False)`, a built one `fs`, `latency_s`, `push`, `flush` and `reset`"
        )
    return cast(Variant, found)


def _read(path: Path) -> Variant:
    try:
        size = check_file(path, what="detector")
        if size > _LARGEST_BYTES:
            raise ParameterError(f"{path} has {size} bytes; a saved detector has at most {_LARGEST_BYTES}")
        document = json.loads(path.read_text(encoding="utf-8"), object_pairs_hook=_once)
    except RecordingError as error:  # missing, a folder, a pipe, a device
        raise ParameterError(str(error)) from error
    except OSError as error:
        raise ParameterError(f"the detector {path} cannot be read: {error.strerror or error}") from error
    except ParameterError as error:
        raise ParameterError(f"{path}: {error}") from None
    except (ValueError, RecursionError) as error:  # not UTF-8, not JSON, or a number of thousands of digits
        raise ParameterError(f"{path} is not JSON: {error}") from error
    try:
        return _variant_of(document)
    except ParameterError as error:
        raise ParameterError(f"{path}: {error}") from error
    except RecursionError as error:
        raise ParameterError(f"{path}: it is nested too deeply for a detector") from error


def _once(pairs: list[tuple[str, object]]) -> dict[str, object]:
    """A JSON object; a repeated key is refused, since one value would be lost silently."""
    found = dict(pairs)
    if len(found) < len(pairs):
        twice = next(key for i, (key, _) in enumerate(pairs) if key in dict(pairs[:i]))
        raise ParameterError(f"{twice!r} occurs twice; remove one of them")
    return found


def _variant_of(document: object) -> Variant:
    if not isinstance(document, dict) or document.get("format") != FORMAT:
        raise ParameterError(f'this is not a saved detector (no "format": "{FORMAT}"); write one with tapsig fit')
    if document.get("version") != VERSION:
        raise ParameterError(
            f"version is {document.get('version')!r}; this tapsig reads version {VERSION}: write the detector again"
        )
    extra = sorted(set(document) - {"format", "version", "name", "parameters", "note"})
    if extra:
        raise ParameterError(
            f"{', '.join(map(repr, extra))} is not a field of a saved detector; remove it, or use 'note'"
        )
    if not isinstance(document.get("name"), str):
        raise ParameterError(f"name is {document.get('name')!r}; it must be one of {', '.join(CATALOGUE)}")
    return _with_parameters(variant_class(document["name"]), document.get("parameters"))


def _with_parameters(kind: type[Variant], given: object) -> Variant:
    if not isinstance(given, dict):
        raise ParameterError(f"parameters is {_short(given)}; it must be an object")
    hints = typing.get_type_hints(kind)
    names = [field.name for field in dataclasses.fields(kind)]  # type: ignore[arg-type]
    former_names: Mapping[str, str] = getattr(kind, "former_names", {})
    values = {former_names.get(name, name): item for name, item in given.items()}
    if unknown := sorted(set(values) - set(names)):
        raise ParameterError(f"parameters holds {', '.join(map(repr, unknown))}; it may hold: {', '.join(names)}")
    if missing := [name for name in names if name not in values]:
        raise ParameterError(f"parameters lacks {', '.join(map(repr, missing))}")
    build: Any = kind
    return cast(
        Variant, build(**{name: _from_plain(item, hints[name], f"parameters.{name}") for name, item in values.items()})
    )


def _from_plain(value: object, kind: Any, where: str) -> object:
    """`value` of JSON as the annotated type `kind` of a parameter; `where` names it in errors."""
    if callable(getattr(kind, "from_json", None)):
        return kind.from_json(value)
    if typing.get_origin(kind) is tuple:
        kinds = typing.get_args(kind)
        if not isinstance(value, list) or len(value) != len(kinds):
            raise ParameterError(f"{where} is {_short(value)}; it must be a list of {len(kinds)}")
        return tuple(_from_plain(*pair, f"{where}[{i}]") for i, pair in enumerate(zip(value, kinds, strict=True)))
    if kind is float and (number := finite_number(value)) is not None:
        return number
    if kind is int and type(value) is int:
        return value
    raise ParameterError(f"{where} is {_short(value)}; it must be {_KINDS[kind]}")


def _short(value: object) -> str:
    text = json.dumps(value, ensure_ascii=False, default=str)
    return text if len(text) <= 60 else f"{text[:57]}…"
