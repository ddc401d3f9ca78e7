"""Drawings on a roll's page that rest on more than its scans: film curve, control chart, batch."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from pipeline.control import ControlSeries, control_series, read_readings
from pipeline.densities import FilmCurve, curve_lines, curve_of_wedge
from pipeline.kinds import CHANNELS
from pipeline.problem import SettingsProblem
from pipeline.report.beside import Beside
from pipeline.report.control_chart import control_plot
from pipeline.report.curve_plot import film_curve_plot
from pipeline.report.roll_page import Drawing
from pipeline.report.words import MISSING, figure_text, signed_text
from pipeline.words import printable

_QUANTITIES = {"d_min": "D-min", "ld": "LD", "contrast": "HD - LD"}


def drawings_of(batch: Mapping[str, Any], beside: Beside) -> tuple[Drawing, ...]:
    """Return the plots of the files beside a roll.

    `batch` is the roll's batch of chemistry as noted; its trend is drawn where the log knows it.

    Raises ScanProblem or SettingsProblem if a file beside it can't be used.
    """
    drawings: list[Drawing] = []
    if beside.readings is not None:
        drawings += _of_readings(beside.readings)
    if beside.bath_log is not None:
        drawings += _of_batch(beside.bath_log, str(batch.get("name", "")))
    return tuple(drawings)


def curve_drawing(curve: FilmCurve, title: str = "The film's curve") -> Drawing:
    """Return the plot of a film's curve with its contrast, toe and shoulder."""
    rows = [
        (
            name,
            f"{channel.contrast:.3f}",
            f"{channel.contrast_error:.3f}",
            *(
                MISSING if point is None else f"{point.log_exposure:+z.2f}"
                for point in (channel.toe, channel.shoulder)
            ),
        )
        for name, channel in zip(CHANNELS, curve.channels, strict=True)
    ]
    head = ("channel", "contrast", "standard error", "toe ends at", "shoulder begins at")
    return Drawing(title, film_curve_plot(curve), " ".join(curve_lines(curve)), head, tuple(rows))


def _of_readings(path: Path) -> list[Drawing]:
    readings = read_readings(path)
    drawings = []
    series = control_series(readings.controls, readings.aim)
    if series is not None:
        drawings.append(_of_control(series))
    for wedge in readings.wedges:
        curve = curve_of_wedge(wedge.log_exposure, wedge.density, wedge.lux_seconds)
        if curve is not None:
            drawings.append(curve_drawing(curve, f"Curve of wedge {printable(wedge.strip)}"))
    if not drawings:
        raise SettingsProblem(
            path, "holds no control strips or wedges to draw", "name another file, or none"
        )
    return drawings


def _of_control(series: ControlSeries) -> Drawing:
    rows = tuple(
        (
            printable(each.reading.strip),
            *(signed_text(value, 3) for name in _QUANTITIES for value in each.of(name)),
            figure_text(each.retained, 3),
        )
        for each in series.deviations
    )
    head = (
        "strip",
        *(f"{name} {c}" for name in _QUANTITIES.values() for c in "RGB"),
        "D-max - yellow B",
    )
    note = " ".join(str(signal) for signal in series.signals)
    return Drawing("Control chart", control_plot(series), note, head, rows)


def _of_batch(path: Path, name: str) -> list[Drawing]:
    from pipeline.bath import BathLog, chart_text, trend
    from pipeline.report.bath_chart import trend_plot

    if not name:
        raise SettingsProblem(
            None, "the roll names no batch to look up in the log", "add [batch] name to roll.toml"
        )
    batch, uses = BathLog(path).batch(name)
    made = trend(batch, uses)
    if made is None:
        return []
    return [Drawing(f"Batch {printable(name)}", trend_plot(made), chart_text(made))]
