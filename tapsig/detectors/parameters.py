"""Parameters of a variant by name, in the style of scikit-learn's estimators."""

import dataclasses
import difflib
from collections.abc import Iterable, Mapping
from types import MappingProxyType
from typing import Any, ClassVar, Self, TypeVar

from tapsig.errors import ParameterError

AnyVariant = TypeVar("AnyVariant")


class Parameters:
    """Base of the catalogue's variants: `get_params`, `set_params`; `sklearn.base.clone` works on them.

    >>> from tapsig.detectors.fixed_threshold import FixedThreshold
    >>> FixedThreshold().set_params(threshold_v=0.2).get_params()
    {'threshold_v': 0.2, 'dead_time_s': 0.1, 'bias_time_s': 0.5}
    """

    __slots__ = ()

    former_names: ClassVar[Mapping[str, str]] = MappingProxyType({})
    """Former to present names of parameters, so that saved detectors still load."""

    def get_params(self, deep: bool = True) -> dict[str, Any]:
        """The parameters by name.

        Parameters
        ----------
        deep : bool
            Ignored; accepted for compatibility with scikit-learn.

        Returns
        -------
        dict
            Name to value, in the order of the class.
        """
        return {field.name: getattr(self, field.name) for field in dataclasses.fields(self)}  # type: ignore[arg-type]

    def set_params(self, **params: Any) -> Self:
        """Change parameters in place; if one is refused, none is changed.

        Detectors built before keep their parameters. Do not change a variant that is a key of a dictionary: use
        `dataclasses.replace` for a changed copy.

        Returns
        -------
        Self
            The same variant.

        Raises
        ------
        ParameterError
            For an unknown name, or a value outside its range.
        """
        changed = replace_parameters(self, params)
        for name in params:
            object.__setattr__(self, name, getattr(changed, name))
        return self


def replace_parameters(variant: AnyVariant, parameters: Mapping[str, object]) -> AnyVariant:
    """A copy of `variant` (any dataclass) with `parameters` changed; without parameters, `variant` itself.

    Raises ParameterError for an unknown name, or a value outside its range.
    """
    if not parameters:
        return variant
    name = getattr(variant, "name", type(variant).__name__)
    if not dataclasses.is_dataclass(variant) or isinstance(variant, type):
        raise ParameterError(
            f"{name} is not a dataclass, so its parameters cannot be changed by name; build it with them"
        )
    known = [field.name for field in dataclasses.fields(variant) if field.init]
    for given in parameters:
        if given not in known:
            raise ParameterError(describe_unknown(given, known, name))
    return dataclasses.replace(variant, **parameters)


def read_settings(variant: AnyVariant, settings: Iterable[str]) -> AnyVariant:
    """A copy of `variant` with `settings`, texts such as "order=4", changed; each is read as its present value is.

    Raises ParameterError for a text without "=", an unknown name, or a value of another kind or outside its range.
    """
    current, changes = list_settable(variant), dict[str, object]()
    name = getattr(variant, "name", type(variant).__name__)
    for setting in settings:
        given, equals, text = (part.strip() for part in setting.partition("="))
        if not equals:
            raise ParameterError(f"give NAME=VALUE, not {setting!r}; the parameters of {name}: {', '.join(current)}")
        if given not in current:
            raise ParameterError(describe_unknown(given, list(current), name))
        value = current[given]
        try:
            changes[given] = text if isinstance(value, str) else int(text) if isinstance(value, int) else float(text)
        except ValueError:
            kind = "a whole number" if isinstance(value, int) else "a number"
            raise ParameterError(f"{given} is {text!r}; it must be {kind} such as {value}") from None
    return replace_parameters(variant, changes)


def list_settable(variant: object) -> dict[str, int | float | str]:
    """The parameters that are plain numbers or texts, by name; {} where `variant` is not a dataclass."""
    if not dataclasses.is_dataclass(variant):  # somebody's own may be any class
        return {}
    values = {field.name: getattr(variant, field.name) for field in dataclasses.fields(variant) if field.init}
    return {name: value for name, value in values.items() if isinstance(value, (int, float, str))}


def describe_unknown(given: str, known: list[str], name: str) -> str:
    """The error text for a parameter `given` that is not among the `known` ones of the detector `name`."""
    near = difflib.get_close_matches(given, known, n=1, cutoff=0.5)
    hint = f"; did you mean {near[0]}?" if near else "."
    return f"no parameter {given!r}{hint} The parameters of {name}: {', '.join(known) or 'none'}"
