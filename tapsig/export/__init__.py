"""Integer form and C source of a detector: what was scored is what runs, bit for bit."""

from tapsig.export.converter import Converter
from tapsig.export.package import render_package, to_integer, write_package
from tapsig.export.vectors import run_chain

__all__ = ["Converter", "render_package", "run_chain", "to_integer", "write_package"]
