"""Names lead to variants with their defaults, and every variant keeps the contract."""

import subprocess
import sys

import pytest

from tapsig.detectors import CATALOGUE, Variant
from tapsig.detectors.catalogue import variant_class
from tapsig.errors import ParameterError
from tapsig.testing import Check, detector_checks

SILENT = ("null", "random")  # the floor of every table: these need not hear


def checks() -> list[object]:
    return [
        pytest.param(check, id=f"{name}: {check}")
        for name in CATALOGUE
        for check in detector_checks(name, fs=8000.0, hears=name not in SILENT)
    ]


@pytest.mark.parametrize("check", checks())
def test_every_variant_keeps_the_contract(check: Check) -> None:
    check.run()


@pytest.mark.parametrize("fs", [1000.0, 44_100.0])
@pytest.mark.parametrize("name", [name for name in CATALOGUE if name not in SILENT])
def test_every_variant_keeps_the_contract_at_other_rates(name: str, fs: float) -> None:
    wanted = ("chunks of 509 equal all at once", "latency is kept", "the future changes nothing", "hears something")
    for check in detector_checks(name, fs=fs):
        if str(check) in wanted:
            check.run()


@pytest.mark.parametrize("name", list(CATALOGUE))
def test_a_variant_has_the_name_of_its_entry(name: str) -> None:
    assert isinstance(CATALOGUE[name], Variant)
    assert CATALOGUE[name].name == name


def test_an_unknown_name_is_told_with_the_nearest_one() -> None:
    with pytest.raises(ParameterError, match=r"'promience' \(did you mean 'prominence'\?\).*sta-lta"):
        variant_class("promience")
    with pytest.raises(KeyError):
        CATALOGUE["promience"]


def test_the_catalogue_is_read_without_importing_the_detectors() -> None:
    code = (
        "import sys; from tapsig.detectors import CATALOGUE; list(CATALOGUE); 'tap' in CATALOGUE;"
        " sys.exit(any(name in sys.modules for name in ('numba', 'scipy', 'librosa', 'sklearn')))"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
