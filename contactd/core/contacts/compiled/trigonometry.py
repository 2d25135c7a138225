"""Sine, cosine and arc tangent that compilers can work out for several angles at once.

Source: reduction after Cody and Waite, polynomials of S. L. Moshier's Cephes library (sin.c,
atan.c), better than 2e-16 for angles up to 1e5 rad.
"""

from __future__ import annotations

import math

from contactd.core.contacts.compiled.kernel import inlined

_ROUNDER = 6755399441055744.0  # 1.5 · 2⁵²: adding and taking it away rounds to a whole number
# A quarter turn in three parts; the first two end in zeros, so that whole multiples are exact.
_QUARTER_HIGH = 1.5707962512969971
_QUARTER_MIDDLE = 7.549789415861596e-08
_QUARTER_LOW = 5.390302858158119e-15
TURN = 2.0 * math.pi


@inlined
def sine_cosine(angle):
    """Sine and cosine of an angle (rad)."""
    quarter = (angle * 0.6366197723675814 + _ROUNDER) - _ROUNDER
    rest = (angle - quarter * _QUARTER_HIGH) - quarter * _QUARTER_MIDDLE
    rest = rest - quarter * _QUARTER_LOW
    z = rest * rest
    s = 1.58962301576546568060e-10 * z - 2.50507477628578072866e-8
    s = s * z + 2.75573136213857245213e-6
    s = s * z - 1.98412698295895385996e-4
    s = s * z + 8.33333333332211858878e-3
    s = s * z - 1.66666666666666307295e-1
    s = s * z * rest + rest
    c = -1.13585365213876817300e-11 * z + 2.08757008419747316778e-9
    c = c * z - 2.75573141792967388112e-7
    c = c * z + 2.48015872888517045348e-5
    c = c * z - 1.38888888888730564116e-3
    c = c * z + 4.16666666666665929218e-2
    c = c * z * z + (1.0 - 0.5 * z)
    sector = quarter - 4.0 * math.floor(quarter * 0.25)
    odd = (sector == 1.0) | (sector == 3.0)
    sine = c if odd else s
    cosine = s if odd else c
    sine = -sine if sector >= 2.0 else sine
    cosine = -cosine if (sector == 1.0) | (sector == 2.0) else cosine
    return sine, cosine


@inlined
def turned(sine, cosine, angle):
    """Sine and cosine of an angle that is ``angle`` (rad, a hundredth at most) farther on."""
    square = angle * angle
    small_sine = angle * (1.0 - square * (1.0 / 6.0 - square * (1.0 / 120.0)))
    small_cosine = 1.0 - square * (0.5 - square * (1.0 / 24.0 - square * (1.0 / 720.0)))
    return (
        sine * small_cosine + cosine * small_sine,
        cosine * small_cosine - sine * small_sine,
    )


@inlined
def arc_tangent(y, x):
    """Angle (rad, −π to π) of the direction (x, y)."""
    across, along = abs(y), abs(x)
    steep = across > along
    low = along if steep else across
    high = across if steep else along
    ratio = low / high if high > 0.0 else 0.0
    # 0 to 1 in two parts, so that the rational function sees at most tan(π/8).
    outer = ratio > 0.4142135623730950
    reduced = (ratio - 1.0) / (ratio + 1.0) if outer else ratio
    z = reduced * reduced
    p = -8.750608600031904122785e-1 * z - 1.615753718733365076637e1
    p = p * z - 7.500855792314704667340e1
    p = p * z - 1.228866684490136173410e2
    p = p * z - 6.485021904942025371773e1
    q = z + 2.485846490142306297962e1
    q = q * z + 1.650270098316988542046e2
    q = q * z + 4.328810604912902668951e2
    q = q * z + 4.853903996359136964868e2
    q = q * z + 1.945506571482613964425e2
    angle = reduced + reduced * (z * p / q)
    angle = angle + 0.25 * math.pi if outer else angle
    angle = 0.5 * math.pi - angle if steep else angle
    angle = math.pi - angle if x < 0.0 else angle
    return -angle if y < 0.0 else angle
