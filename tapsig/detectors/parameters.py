"""Parameters of a variant by name, in the style of scikit-learn's estimators."""

import dataclasses
import difflib
from collections.abc import Mapping
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


def describe_unknown(given: str, known: list[str], name: str) -> str:
    """The error text for a parameter `given` that is not among the `known` ones of the detector `name`."""
    near = difflib.get_close_matches(given, known, n=1, cutoff=0.5)
    hint = f"; did you mean {near[0]}?" if near else "."
    return f"no parameter {given!r}{hint} The parameters of {name}: {', '.join(known) or 'none'}"
