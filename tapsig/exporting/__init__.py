"""A detector for a controller: the core's own C files and one generated header of numbers."""

from tapsig.exporting.chain import Chain, prepare
from tapsig.exporting.device import render_firmware, render_logger
from tapsig.exporting.package import render_package, write_package

__all__ = ["Chain", "prepare", "render_firmware", "render_logger", "render_package", "write_package"]
