"""Draw the wiring of the device, tapsig/exporting/firmware/wiring.svg: `python -m benchmarks.wiring`.

Values are those of README, "How to record"; the rest is common practice, no source. Needs schemdraw, which
tapsig[benchmark] brings.
"""

from pathlib import Path
from typing import Any

import schemdraw
import schemdraw.elements as elm

TARGET = Path(__file__).parents[1] / "tapsig" / "exporting" / "firmware" / "wiring.svg"
CAUTIONS = (
    "Drawn by software and simulated in software: never built, never measured. 5 V: behind the fuse, from a regulator",
    "made for vehicle supplies (surges, reversed polarity) whose own current is small against the device's.",
    "Doors hold airbag sensors and wiring: do not drill, glue or route a wire near them; work to the maker's repair",
    "instructions, or let a licensed workshop do it. Local law decides whether a hidden entry may be fitted.",
    "Never the only way to reach a person or an animal. No security product: who opens the box reads the code.",
    "Fuse the battery lead at the battery. Brown-out detection on (make fuses)."
    " Keep the disc's lead short and shielded.",
)
GREY = "#555555"
TOLERANCE = "1 %"
"""Of the bias and of the wake mark. With 5 % the mark may lie under the bias."""


def add(drawing: Any, *parts: Any) -> Any:
    """Draw parts one after the other, each where the one before ends unless it says where; returns the last."""
    for part in parts:
        placed = drawing.add(part)
    return placed


def draw_controller(drawing: Any) -> Any:
    """The controller, with its supply and what hangs on no other part."""
    pins = [
        elm.IcPin(name="ADC0", side="left", pos=0.86, anchorname="adc"),
        elm.IcPin(name="PD4", side="left", pos=0.14, anchorname="wake"),
        elm.IcPin(name="PB1", side="right", pos=0.86, anchorname="release"),
        elm.IcPin(name="TXD", side="right", pos=0.40, anchorname="serial"),
        elm.IcPin(name="PD5", side="right", pos=0.14, anchorname="clear"),
        elm.IcPin(name="VCC AVCC", side="top", pos=0.5, anchorname="supply"),
        elm.IcPin(name="GND", side="bottom", pos=0.5, anchorname="ground"),
    ]
    chip = drawing.add(
        elm.Ic(pins=pins, size=(4.4, 10)).at((0, 0)).anchor("adc").label("8-bit controller", "center", fontsize=13)
    )
    add(drawing, elm.Line().at(chip.supply).up(0.5), elm.Dot())
    drawing.push()
    add(drawing, elm.Capacitor().right(2).label("100 nF"), elm.Ground())
    drawing.pop()
    add(drawing, elm.Vdd().label("5 V"), elm.Ground().at(chip.ground), elm.Line().at(chip.serial).right(1.2))
    add(drawing, elm.Dot(open=True).label("event lines,\n38400 baud\n(8 MHz: 9600)", loc="right", fontsize=11))
    jumper = elm.Switch().at(chip.clear).right(3.4)
    add(drawing, jumper.label("jumper: closed at a reset,\nit clears wrong entries", fontsize=10), elm.Ground())
    return chip


def draw_sensor(drawing: Any, chip: Any) -> Any:
    """Disc, bias, series resistor and clamps; returns the clamped node."""
    pin = add(drawing, elm.Line().at(chip.adc).left(1.4), elm.Dot())
    add(
        drawing,
        elm.Schottky().at(pin.center).up(2).label("Schottky", loc="bottom", fontsize=10),
        elm.Vdd().label("5 V"),
    )
    add(drawing, elm.Schottky().at(pin.center).down(2).reverse(), elm.Ground())
    node = add(drawing, elm.Resistor().at(pin.center).left(3).label("10 kΩ"), elm.Dot())
    add(drawing, elm.Resistor().at(node.center).up(2).label(f"1 MΩ {TOLERANCE}"), elm.Vdd().label("5 V"))
    add(drawing, elm.Resistor().at(node.center).down(2).label(f"1 MΩ {TOLERANCE}", loc="bottom"), elm.Ground())
    add(drawing, elm.Line().at(node.center).left(3))
    add(drawing, elm.Crystal().down(2).label("piezo\ndisc", loc="top"), elm.Ground())
    bias = (node.center.x - 1.5, node.center.y + 0.35)
    add(drawing, elm.Label().at(bias).label("half the supply", fontsize=10, color=GREY))
    return pin


def draw_wake(drawing: Any, chip: Any, pin: Any) -> None:
    """The comparator that wakes it: 0.12 V over the bias, 0.07 to 0.17 V by the resistors' tolerance."""
    comparator = add(drawing, elm.Line().at(chip.wake).left(1.2), elm.Opamp().anchor("out").right().flip())
    below = (comparator.center.x + 0.4, comparator.center.y - 1.6)
    add(drawing, elm.Label().at(below).label("micropower\ncomparator", fontsize=11))
    clamped = (pin.center.x + 0.7, pin.center.y)  # the disc alone may go far beyond the rails
    add(drawing, elm.Dot().at(clamped), elm.Line().at(clamped).down(3.2), elm.Line().tox(comparator.in2.x - 0.8))
    add(drawing, elm.Line().toy(comparator.in2.y), elm.Line().tox(comparator.in2.x))
    mark = add(drawing, elm.Line().at(comparator.in1).left(0.8), elm.Dot())
    add(drawing, elm.Resistor().at(mark.center).left(2.6).label(f"1 MΩ {TOLERANCE}"))
    add(drawing, elm.Line().up(0.3), elm.Vdd().label("5 V"))
    add(drawing, elm.Resistor().at(mark.center).down(2).label(f"1.1 MΩ {TOLERANCE}", loc="top"), elm.Ground())


def draw_release(drawing: Any, chip: Any) -> None:
    """The switch for the release, with the diode that takes its coil's current."""
    gate = add(drawing, elm.Resistor().at(chip.release).right(2.4).label("1 kΩ"), elm.Dot())
    add(drawing, elm.Resistor().at(gate.center).down(1.8).label("100 kΩ", loc="top"), elm.Ground())
    add(drawing, elm.Line().at(gate.center).right(0.8))
    switch = add(drawing, elm.AnalogNFet().anchor("gate").theta(0).reverse())
    low = add(drawing, elm.Ground().at(switch.source), elm.Line().at(switch.drain).up(0.5), elm.Dot())
    high = add(drawing, elm.Inductor2().at(low.center).up(2.2).label("release\n(0.25 s)", loc="top"), elm.Dot())
    add(drawing, elm.Line().at(low.center).right(1.4), elm.Diode().up(2.2), elm.Line().tox(high.center.x))
    add(drawing, elm.Fuse().at(high.center).up(1.8).label("fuse"), elm.Vdd().label("12 V battery"))


def draw() -> str:
    """The drawing as SVG."""
    schemdraw.use("svg")
    drawing: Any = schemdraw.Drawing(show=False)
    drawing.config(fontsize=12, lw=1.6, unit=2)
    chip = draw_controller(drawing)
    pin = draw_sensor(drawing, chip)
    draw_wake(drawing, chip, pin)
    draw_release(drawing, chip)
    for number, line in enumerate(CAUTIONS):
        place = (-8.2, -11.4 - 0.62 * number)
        drawing.add(elm.Label().at(place).label(line, fontsize=11, halign="left"))
    text = str(drawing.get_imagedata("svg").decode("utf-8"))
    return text.replace("<svg ", '<svg style="background: white" ', 1)  # black strokes vanish on a dark page


if __name__ == "__main__":
    TARGET.write_text(draw() + "\n", encoding="utf-8")
    print(TARGET)
