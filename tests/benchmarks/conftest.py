"""The packages of measured sounds are fetched on demand."""

import os

import pytest


@pytest.fixture(scope="session")
def packages() -> None:
    """All packages are fetched; out of reach is a failure in CI and a skip elsewhere."""
    from benchmarks import open_sources

    try:
        for package in open_sources.PACKAGES:
            open_sources.fetch_package(package)
    except open_sources.RegistryOutOfReachError as error:
        if os.environ.get("CI"):
            pytest.fail(f"the packages must be fetched in CI: {error}")
        pytest.skip(f"the packages cannot be fetched: {error}")


@pytest.fixture(autouse=True)
def fetch_for_network_tests(request: pytest.FixtureRequest) -> None:
    """A test that is marked `network` hears measured sounds."""
    if request.node.get_closest_marker("network"):
        request.getfixturevalue("packages")
