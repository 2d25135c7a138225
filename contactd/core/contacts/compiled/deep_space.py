"""SDP4: orbits of 225 minutes and more, with the pull of Sun and Moon and with resonances.

Source: as :mod:`near_earth`; names of coefficients are those of AIAA 2006-6753. What is worked out
once a satellite comes from the ``sgp4`` package itself; what is worked out at every instant is
here, a block of instants at a time. Held to the package within 1e-7 km by the verification set.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from contactd.core.contacts.compiled.kernel import LANES, inlined, kernel
from contactd.core.contacts.compiled.near_earth import (
    BAD,
    BLOCK,
    GREENWICH,
    J3_OVER_J2,
    VX,
    VY,
    VZ,
    XKE,
    X,
    Y,
    Z,
    kepler_long,
    short_period,
)
from contactd.core.contacts.compiled.trigonometry import TURN, arc_tangent, sine_cosine

FloatArray = NDArray[np.float64]

STEP_MINUTES = 720.0
EARTH_RAD_PER_MINUTE = 4.37526908801129966e-3
SUN_RATE, SUN_ECCENTRICITY = 1.19459e-5, 0.01675
MOON_RATE, MOON_ECCENTRICITY = 1.5835218e-4, 0.05490
G22, G32, G44, G52, G54 = 5.7686396, 0.95240898, 1.8014998, 1.0508330, 4.4108898
FASX2, FASX4, FASX6 = 0.13130908, 2.8843198, 0.37448087

_NAMES = [
    *("mo", "mdot", "argpo", "argpdot", "nodeo", "nodedot", "nodecf", "cc1", "bcc4", "t2cof"),
    *("no_unkozai", "ecco", "inclo", "dedt", "didt", "domdt", "dnodt", "dmdt", "irez", "gsto"),
    *("xlamo", "xfact", "del1", "del2", "del3", "d2201", "d2211", "d3210", "d3222", "d4410"),
    *("d4422", "d5220", "d5232", "d5421", "d5433"),
    *(
        "se2",
        "se3",
        "si2",
        "si3",
        "sl2",
        "sl3",
        "sl4",
        "sgh2",
        "sgh3",
        "sgh4",
        "sh2",
        "sh3",
        "zmos",
    ),
    *("ee2", "e3", "xi2", "xi3", "xl2", "xl3", "xl4", "xgh2", "xgh3", "xgh4", "xh2", "xh3", "zmol"),
    *("peo", "pinco", "plo", "pgho", "pho"),
]
COEFFICIENTS = len(_NAMES)


def coefficients(satellite: Any) -> FloatArray:
    """Coefficients, shape ``[COEFFICIENTS]``, of an initialised ``sgp4.model.Satrec``."""
    values = {"bcc4": satellite.bstar * satellite.cc4}
    return np.array(
        [values[name] if name in values else float(getattr(satellite, name)) for name in _NAMES]
    )


(
    _MO, _MDOT, _ARGPO, _ARGPDOT, _NODEO, _NODEDOT, _NODECF, _CC1, _BCC4, _T2COF, _NO, _ECCO,
    _INCLO, _DEDT, _DIDT, _DOMDT, _DNODT, _DMDT, _IREZ, _GSTO, _XLAMO, _XFACT, _DEL1, _DEL2, _DEL3,
    _D2201, _D2211, _D3210, _D3222, _D4410, _D4422, _D5220, _D5232, _D5421, _D5433,
) = range(35)  # fmt: skip
_SUN, _MOON, _AT_EPOCH = 35, 48, 61


@kernel
def _synchronous_rates(k, xli, xni):
    """Rates of the resonance of a day: xndt, xldot, xnddt."""
    s2, c2 = math.sin(xli - FASX2), math.cos(xli - FASX2)
    s4, c4 = math.sin(2.0 * (xli - FASX4)), math.cos(2.0 * (xli - FASX4))
    s6, c6 = math.sin(3.0 * (xli - FASX6)), math.cos(3.0 * (xli - FASX6))
    xndt = k[_DEL1] * s2 + k[_DEL2] * s4 + k[_DEL3] * s6
    xldot = xni + k[_XFACT]
    xnddt = (k[_DEL1] * c2 + 2.0 * k[_DEL2] * c4 + 3.0 * k[_DEL3] * c6) * xldot
    return xndt, xldot, xnddt


@kernel
def _half_day_rates(k, xli, xni, atime):
    """Rates of the resonance of half a day: xndt, xldot, xnddt."""
    xomi = k[_ARGPO] + k[_ARGPDOT] * atime
    x2omi, x2li = xomi + xomi, xli + xli
    sines, cosines = 0.0, 0.0
    for number in range(10):
        if number == 0:
            factor, angle, twice = k[_D2201], x2omi + xli - G22, 1.0
        elif number == 1:
            factor, angle, twice = k[_D2211], xli - G22, 1.0
        elif number == 2:
            factor, angle, twice = k[_D3210], xomi + xli - G32, 1.0
        elif number == 3:
            factor, angle, twice = k[_D3222], -xomi + xli - G32, 1.0
        elif number == 4:
            factor, angle, twice = k[_D4410], x2omi + x2li - G44, 2.0
        elif number == 5:
            factor, angle, twice = k[_D4422], x2li - G44, 2.0
        elif number == 6:
            factor, angle, twice = k[_D5220], xomi + xli - G52, 1.0
        elif number == 7:
            factor, angle, twice = k[_D5232], -xomi + xli - G52, 1.0
        elif number == 8:
            factor, angle, twice = k[_D5421], xomi + x2li - G54, 2.0
        else:
            factor, angle, twice = k[_D5433], -xomi + x2li - G54, 2.0
        sines += factor * math.sin(angle)
        cosines += twice * factor * math.cos(angle)
    xldot = xni + k[_XFACT]
    return sines, xldot, cosines * xldot


@kernel
def resonance_steps(k, first, last, out):
    """The resonance integrator's values at each of its steps from the epoch.

    Args:
        first, last: numbers of the steps wanted (720 minutes each, negative before the epoch),
            with ``first <= 0 <= last``.
        out: shape ``[last - first + 1, 5]``: xli, xni, xndt, xldot, xnddt at each step.
    """
    for way in range(2):
        step = STEP_MINUTES if way == 0 else -STEP_MINUTES
        half_square = 0.5 * step * step
        xli, xni = k[_XLAMO], k[_NO]
        for number in range((last if way == 0 else -first) + 1):
            atime = number * step
            if k[_IREZ] == 2.0:
                xndt, xldot, xnddt = _half_day_rates(k, xli, xni, atime)
            else:
                xndt, xldot, xnddt = _synchronous_rates(k, xli, xni)
            row = (number if way == 0 else -number) - first
            out[row, 0] = xli
            out[row, 1] = xni
            out[row, 2] = xndt
            out[row, 3] = xldot
            out[row, 4] = xnddt
            xli = xli + xldot * step + xndt * half_square
            xni = xni + xndt * step + xnddt * half_square


@inlined
def _body(k, at, phase, rate, eccentricity, t):
    """Periodic terms of one body (Sun, Moon): e, i, mean longitude, perigee, node."""
    zm = phase + rate * t
    sine, _ = sine_cosine(zm)
    sinzf, coszf = sine_cosine(zm + 2.0 * eccentricity * sine)
    f2 = 0.5 * sinzf * sinzf - 0.25
    f3 = -0.5 * sinzf * coszf
    return (
        k[at] * f2 + k[at + 1] * f3,
        k[at + 2] * f2 + k[at + 3] * f3,
        k[at + 4] * f2 + k[at + 5] * f3 + k[at + 6] * sinzf,
        k[at + 7] * f2 + k[at + 8] * f3 + k[at + 9] * sinzf,
        k[at + 10] * f2 + k[at + 11] * f3,
    )


@inlined
def _whole_turns_off(angle):
    """The angle without whole turns, its sign kept, as C's fmod has it."""
    turns = angle / TURN
    whole = math.floor(turns) if turns >= 0.0 else math.ceil(turns)
    return angle - whole * TURN


@kernel
def _resonant_motion(k, steps, first, block):
    """Mean motion and mean anomaly with resonance, into the block's z and vx rows for the while."""
    for i in range(LANES):
        t = block[i]
        # The package steps while at least one whole step is left, towards the instant.
        number = int(t / STEP_MINUTES)
        row = min(max(number - first, 0), len(steps) - 1)
        ft = t - number * STEP_MINUTES
        block[Z * LANES + i] = steps[row, 1] + steps[row, 2] * ft + steps[row, 4] * ft * ft * 0.5
        block[VX * LANES + i] = steps[row, 0] + steps[row, 3] * ft + steps[row, 2] * ft * ft * 0.5


@kernel
def deep_states(k, steps, first, w, at, earth_rate):
    """Earth-fixed states of a block; arguments as for the near-Earth ones.

    Args:
        steps, first: of :func:`resonance_steps`; one unused row for an orbit without resonance.
    """
    block = w[at : at + BLOCK]
    irez = k[_IREZ]
    resonant = 1.0 if irez != 0.0 else 0.0
    daily = 1.0 if irez == 1.0 else 0.0
    if irez != 0.0:
        _resonant_motion(k, steps, first, block)
    mo, mdot, argpo, argpdot = k[_MO], k[_MDOT], k[_ARGPO], k[_ARGPDOT]
    nodeo, nodedot, nodecf = k[_NODEO], k[_NODEDOT], k[_NODECF]
    cc1, bcc4, t2cof, no = k[_CC1], k[_BCC4], k[_T2COF], k[_NO]
    ecco, inclo, gsto = k[_ECCO], k[_INCLO], k[_GSTO]
    dedt, didt, domdt, dnodt, dmdt = k[_DEDT], k[_DIDT], k[_DOMDT], k[_DNODT], k[_DMDT]
    zmos, zmol = k[_SUN + 12], k[_MOON + 12]
    peo, pinco, plo = k[_AT_EPOCH], k[_AT_EPOCH + 1], k[_AT_EPOCH + 2]
    pgho, pho = k[_AT_EPOCH + 3], k[_AT_EPOCH + 4]
    for i in range(LANES):
        t = block[i]
        t2 = t * t
        argpm = argpo + argpdot * t + domdt * t
        nodem = nodeo + nodedot * t + nodecf * t2 + dnodt * t
        inclm = inclo + didt * t
        tempa = 1.0 - cc1 * t
        theta = gsto + t * EARTH_RAD_PER_MINUTE
        xl = block[VX * LANES + i]
        locked = xl - nodem + theta - (argpm if daily == 1.0 else nodem - theta)
        free = mo + mdot * t + dmdt * t
        mm = locked if resonant == 1.0 else free
        nm = block[Z * LANES + i] if resonant == 1.0 else no
        ratio = XKE / nm
        am = math.exp((2.0 / 3.0) * math.log(ratio)) * tempa * tempa
        nm = XKE / (am * math.sqrt(am))
        em = ecco + dedt * t - bcc4 * t
        unfit = (em >= 1.0) | (em < -0.001)
        em = 1.0e-6 if em < 1.0e-6 else em
        mm = mm + no * (t2cof * t2)
        xlm = mm + argpm + nodem
        nodem = _whole_turns_off(nodem)
        argpm = argpm - math.floor(argpm / TURN) * TURN
        xlm = xlm - math.floor(xlm / TURN) * TURN
        mm = xlm - argpm - nodem
        mm = mm - math.floor(mm / TURN) * TURN
        ses, sis, sls, sghs, shs = _body(k, _SUN, zmos, SUN_RATE, SUN_ECCENTRICITY, t)
        sel, sil, sll, sghl, shl = _body(k, _MOON, zmol, MOON_RATE, MOON_ECCENTRICITY, t)
        pinc = sis + sil - pinco
        pl = sls + sll - plo
        pgh = sghs + sghl - pgho
        ph = shs + shl - pho
        ep = em + (ses + sel - peo)
        inclp = inclm + pinc
        sinip, cosip = sine_cosine(inclp)
        # Steep orbits take the periodics directly, flat ones with Lyddane's modification.
        steep = inclp >= 0.2
        ph_steep = ph / sinip
        argp_steep = argpm + (pgh - cosip * ph_steep)
        node_steep = nodem + ph_steep
        sinop, cosop = sine_cosine(nodem)
        alfdp = sinip * sinop + (ph * cosop + pinc * cosip * sinop)
        betdp = sinip * cosop + (-ph * sinop + pinc * cosip * cosop)
        xls = mm + argpm + pl + pgh + (cosip - pinc * sinip) * nodem
        node_flat = arc_tangent(alfdp, betdp)
        apart = nodem - node_flat
        node_flat = node_flat + TURN if apart > math.pi else node_flat
        node_flat = node_flat - TURN if apart < -math.pi else node_flat
        mp = mm + pl
        argp_flat = xls - mp - cosip * node_flat
        argpp = argp_steep if steep else argp_flat
        nodep = node_steep if steep else node_flat
        # A negative inclination is the same orbit from the other node.
        flipped = inclp < 0.0
        sinip = -sinip if flipped else sinip
        nodep = nodep + math.pi if flipped else nodep
        argpp = argpp - math.pi if flipped else argpp
        unfit = unfit | (ep < 0.0) | (ep > 1.0)
        aycof = -0.5 * J3_OVER_J2 * sinip
        divisor = 1.0 + cosip
        divisor = 1.5e-12 if abs(divisor) <= 1.5e-12 else divisor
        xlcof = -0.25 * J3_OVER_J2 * sinip * (3.0 + 5.0 * cosip) / divisor
        sinp, cosp = sine_cosine(argpp)
        axnl = ep * cosp
        temp = 1.0 / (am * (1.0 - ep * ep))
        aynl = ep * sinp + temp * aycof
        angle = mp + argpp + temp * xlcof * axnl
        angle = angle - math.floor(angle / TURN) * TURN
        sineo1, coseo1 = kepler_long(angle, axnl, aynl)
        cosisq = cosip * cosip
        sin_node, cos_node = sine_cosine(nodep - block[GREENWICH * LANES + i])
        x, y, z, vx, vy, vz, mrt, semilatus = short_period(
            axnl, aynl, sineo1, coseo1, am, nm, sinip, cosip,
            3.0 * cosisq - 1.0, 1.0 - cosisq, 7.0 * cosisq - 1.0, sin_node, cos_node,
        )  # fmt: skip
        block[X * LANES + i] = x
        block[Y * LANES + i] = y
        block[Z * LANES + i] = z
        block[VX * LANES + i] = vx + earth_rate * y
        block[VY * LANES + i] = vy - earth_rate * x
        block[VZ * LANES + i] = vz
        sound = (mrt >= 1.0) & (semilatus >= 0.0)
        block[BAD * LANES + i] = 0.0 if sound & (not unfit) else 1.0
