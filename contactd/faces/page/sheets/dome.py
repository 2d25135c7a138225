"""The sky of a contact, drawn on a sheet: zenith in the middle, north up, east at the right."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from contactd.faces.page.sheets.sheet import INK, RULE, SOFT, Sheet


def draw_dome(
    sheet: Sheet,
    centre_mm: tuple[float, float],
    radius_mm: float,
    mask: Sequence[tuple[float, float]],
    samples: Mapping[str, Any],
) -> None:
    """Draw the mask, the track and its whole minutes.

    Args:
        mask: (azimuth, elevation) in degrees, all round.
        samples: columns ``unix_ms, azimuth_deg, elevation_deg``.
    """
    pdf = sheet.pdf
    x0, y0 = centre_mm

    def place(azimuth_deg: float, elevation_deg: float) -> tuple[float, float]:
        radius = radius_mm * (90.0 - min(max(elevation_deg, 0.0), 90.0)) / 90.0
        angle = math.radians(azimuth_deg)
        return x0 + radius * math.sin(angle), y0 - radius * math.cos(angle)

    pdf.set_line_width(0.2)
    pdf.set_draw_color(*RULE)
    for elevation in (0, 30, 60):
        pdf.circle(x0, y0, radius_mm * (90 - elevation) / 90)
    for azimuth in range(0, 360, 30):
        pdf.line(*place(azimuth, 84), *place(azimuth, 0))
    pdf.set_draw_color(*SOFT)
    pdf.polyline([place(azimuth, low) for azimuth, low in mask])
    pdf.set_font("Print", "B", 8)
    for azimuth, name in ((0, "N"), (90, "E"), (180, "S"), (270, "W")):
        x, y = x0 + (radius_mm + 4) * math.sin(math.radians(azimuth)), y0
        y -= (radius_mm + 4) * math.cos(math.radians(azimuth))
        pdf.set_xy(x - 3, y - 2)
        pdf.cell(6, 4, name, align="C")
    track = list(
        zip(samples["unix_ms"], samples["azimuth_deg"], samples["elevation_deg"], strict=True)
    )
    known = [(when, az, el) for when, az, el in track if az is not None and el is not None]
    pdf.set_draw_color(*INK)
    pdf.set_line_width(0.7)
    pdf.polyline([place(azimuth, elevation) for _, azimuth, elevation in known])
    pdf.set_line_width(0.3)
    whole = [each for each in known if each[0] % 60_000 == 0]
    every = max(1, math.ceil(len(whole) / 12))
    pdf.set_font("Print", "", 6)
    for when, azimuth, elevation in whole[::every]:
        x, y = place(azimuth, elevation)
        pdf.circle(x, y, 0.7)
        pdf.set_xy(x + 1.2, y - 1.2)
        minutes = when // 60_000
        pdf.cell(8, 2.4, f"{minutes // 60 % 24:02d}:{minutes % 60:02d}")
