"""Names lead to variants with their defaults, and every variant keeps the contract."""

import subprocess
import sys

import pytest

from tapsig.detectors import CATALOGUE, Variant, load_detector
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


IMPOSSIBLE = (
    "random,rate_hz=0 random,seed=-1"
    " fixed-threshold,threshold_v=0 fixed-threshold,dead_time_s=-1 fixed-threshold,bias_time_s=nan"
    " prominence,rise_db=0 prominence,window_s=0 prominence,floor_v=inf"
    " sta-lta,sta_s=0 sta-lta,lta_s=0.001 sta-lta,on=0.5 sta-lta,off=9 sta-lta,floor_v=-1 sta-lta,high_pass_hz=-1"
    " sta-lta,dead_time_s=-0.1 spectral-flux,hop_s=0 spectral-flux,high_hz=50"
    " ring-following,threshold_v=0 ring-following,over_ring_db=-1 ring-following,dead_time_s=0"
    " ring-following,decay_db_s=-1 ring-following,decay_fraction=3 ring-following,high_pass_hz=0"
    " tap,floor_v=-0.1 tap,dead_time_s=-1 tap,probability=0 tap,probability=1 tap,order=17"
)


@pytest.mark.parametrize("spec", IMPOSSIBLE.split())
def test_an_impossible_parameter_is_refused_by_name(spec: str) -> None:
    name = spec.partition(",")[2].partition("=")[0]
    with pytest.raises(ParameterError, match=f"^{name} is "):
        load_detector(spec)
