"""Which columns of a log are read: the time and the value of one channel."""

from collections.abc import Sequence
from dataclasses import dataclass

from tapsig.errors import ParameterError, RecordingError
from tapsig.loading.columns import Column, describe_column
from tapsig.loading.findings import FindingList
from tapsig.loading.layout import Layout
from tapsig.loading.read_options import ReadOptions
from tapsig.units import SECONDS, TIME_UNITS, VOLT_UNITS


@dataclass(frozen=True, slots=True)
class Choice:
    """Which columns to read.

    `time` None = no column of stamps; `time_step`: stamps are times since the previous line; `numbered`: they are the
    numbers of lines or samples, of a log without times. `channel` is the index of
    `value` among the value columns, `name` its name ("" without a header), `alone` whether it is the only one.
    """

    time: int | None
    time_unit: str
    time_step: bool
    value: int
    value_column: Column
    channel: int
    name: str
    alone: bool
    numbered: bool = False


def choose_columns(
    source: str, layout: Layout, options: ReadOptions, *, timeless: bool, findings: FindingList
) -> Choice:
    """The columns to read. `timeless`: a rate was given, so a time column may be missing.

    Raises RecordingError, with the remedy, if the file does not say what its columns are; ParameterError for a
    channel or column that it does not have.
    """
    time_unit = options.time_unit
    where = f"{source}, line {layout.first_line}: {layout.example[:40]!r}"
    columns = [describe_column(name) for name in layout.header] or _columns_without_header(where, layout, time_unit)
    if layout.columns > 1 and time_unit and not timeless and all(one.kind != "time" for one in columns):
        columns[0] = Column("time")
    values = [index for index, one in enumerate(columns) if one.kind in ("value", "other")]
    value = _choose_value(source, layout, columns, values, options, findings)
    chosen = columns[value]
    if not chosen.unit and (word := layout.preamble.get("value_unit", "").lower()) in VOLT_UNITS:
        chosen = Column(chosen.kind, "V", VOLT_UNITS[word])
    name = layout.header[value] if layout.header else ""
    place, alone = values.index(value), len(values) == 1
    times = [index for index, one in enumerate(columns) if one.kind == "time"]
    time = max((index for index in times if index < value), default=times[0] if times else None)
    if time is None:
        if not timeless and not layout.clock_prefix:
            raise RecordingError(f"{where}: no time column and no rate; give fs=, or '# fs_hz=...' in its first lines")
        number = None if layout.clock_prefix else _find_numbers(layout, columns, value)
        return Choice(number, "", False, value, chosen, place, name, alone, numbered=number is not None)
    if time_unit and columns[time].unit not in ("", time_unit):
        message = f"the header gives times in {columns[time].unit}, the call in {time_unit}; that of the call is used"
        findings.add("time-unit-overruled", message)
    unit = time_unit or columns[time].unit or TIME_UNITS.get(layout.preamble.get("time_unit", "").lower(), "")
    if unit not in SECONDS:
        title = layout.header[time] if layout.header else "the first column"
        raise RecordingError(
            f"{where}: the time unit of {title!r} is not given; say time_unit='us', 'ms' or 's', or"
            " name the column time_us, time_ms or time_s"
        )
    return Choice(time, unit, columns[time].step, value, chosen, place, name, alone)


def _choose_value(
    source: str,
    layout: Layout,
    columns: Sequence[Column],
    values: Sequence[int],
    options: ReadOptions,
    findings: FindingList,
) -> int:
    """The value column asked for; else the first in volts or counts; else the first that may be a signal.

    If another column could be the signal too, a finding names the one that was taken.
    """
    channel, column = options.channel, options.column
    names = [layout.header[index] if layout.header else f"column {index + 1}" for index in values]
    if column is not None:
        found = [index for index, name in zip(values, names, strict=True) if name.lower() == column.strip().lower()]
        if not layout.header or len(found) != 1:
            lack = ", of which two have one name: give channel=" if len(found) > 1 else ""
            raise ParameterError(
                f"column is {column!r}; the value columns of {source} are {', '.join(names) or 'none'}"
                + (lack if layout.header else ", without names: give channel=")
            )
        return found[0]
    if not values:
        named = ", ".join(map(repr, layout.header)) or "one column of times"
        raise RecordingError(f"{source}: none of its columns is a signal: {named}; name the signal's volts, mv or adc")
    if channel is not None:
        if channel >= len(values):
            raise ParameterError(f"channel is {channel}; {source} has {len(values)} value columns, from 0")
        return values[channel]
    signals = [index for index in values if columns[index].kind == "value"]
    value = next((index for index in signals if columns[index].unit in ("V", "counts")), (signals or values)[0])
    rest = [name for index, name in zip(values, names, strict=True) if index != value and index in signals]
    if rest:
        findings.add(
            "column-chosen",
            f"took the column {names[values.index(value)]!r}; {', '.join(rest)} could be the"
            f" signal too: choose one with {'column' if len(set(names)) == len(names) else 'channel'}=",
        )
    return value


def _find_numbers(layout: Layout, columns: Sequence[Column], value: int) -> int | None:
    """The column that numbers lines or samples; None where there is none."""
    titles = [name.lower().split() for name in layout.header] if layout.header else [[] for _ in columns]
    numbers = [column.kind == "index" or title[:1] == ["sample"] for column, title in zip(columns, titles, strict=True)]
    return next((index for index, is_number in enumerate(numbers) if is_number and index != value), None)


def _columns_without_header(where: str, layout: Layout, time_unit: str | None) -> list[Column]:
    if layout.columns == 1:
        return [Column("value")]
    if layout.columns == 2 and (time_unit or "time_unit" in layout.preamble):
        return [Column("time"), Column("value")]
    if layout.columns == 2:
        raise RecordingError(
            f"{where} has 2 columns and no header; say time_unit='us', 'ms' or 's' if they are time"
            " and value, or put a header before them: time_us,adc for two columns, volts for one with"
            " decimal commas"
        )
    raise RecordingError(
        f"{where} has {layout.columns} columns and no header; put a header such as time_us,adc0,adc1 before them"
    )
