"""Catalogue of detectors by name. A module is imported only when its detector is used."""

import difflib
import importlib
from collections.abc import Iterator, Mapping

from tapsig.detectors.base import Variant
from tapsig.errors import ParameterError

# Name and module:class of each variant. A new one needs its class and a line here; the tests use this list.
_HOMES = {
    "null": "tapsig.detectors.chance:Null",
    "random": "tapsig.detectors.chance:Random",
    "fixed-threshold": "tapsig.detectors.fixed_threshold:FixedThreshold",
    "prominence": "tapsig.detectors.prominence:Prominence",
    "sta-lta": "tapsig.detectors.sta_lta:StaLta",
    "spectral-flux": "tapsig.detectors.spectral_flux:SpectralFlux",
    "ring-following": "tapsig.detectors.ring_following:RingFollowing",
    "innovation": "tapsig.detectors.innovation:Innovation",
    "tap": "tapsig.detectors.tap:Tap",
}


def variant_class(name: str) -> type[Variant]:
    """The class of the variant `name`. Raises ParameterError for an unknown name."""
    if name not in _HOMES:
        near = difflib.get_close_matches(name, _HOMES, n=1)
        hint = f" (did you mean {near[0]!r}?)" if near else ""
        raise ParameterError(f"there is no detector {name!r}{hint}; the catalogue holds: {', '.join(_HOMES)}")
    module, _, attribute = _HOMES[name].partition(":")
    found: type[Variant] = getattr(importlib.import_module(module), attribute)
    return found


class Catalogue(Mapping[str, Variant]):
    """Name -> variant with its default parameters."""

    def __getitem__(self, name: str) -> Variant:
        if name not in _HOMES:
            raise KeyError(name)
        return variant_class(name)()

    def __iter__(self) -> Iterator[str]:
        return iter(_HOMES)

    def __len__(self) -> int:
        return len(_HOMES)

    def __contains__(self, name: object) -> bool:  # without building the variant
        return name in _HOMES


CATALOGUE: Mapping[str, Variant] = Catalogue()
"""All detectors by name with default parameters, from the simplest to the most complex."""
