"""SGP4 for near-Earth orbits, a block of instants at a time, straight into the Earth-fixed frame.

Source: Hoots and Roehrich, *Spacetrack Report No. 3* (1980), as corrected in Vallado, Crawford,
Hujsak and Kelso, *Revisiting Spacetrack Report #3*, AIAA 2006-6753; names of coefficients are
theirs. WGS 72. Held to the ``sgp4`` package within 1e-8 km by the verification set's test.

Two shortcuts change no more than the last digits: angles that are only looked at through their
sine and cosine are not reduced to one turn, and the small short-period corrections turn sines and
cosines instead of asking for new ones. Taking the Greenwich angle off the node gives Earth-fixed
coordinates without a rotation.
"""

from __future__ import annotations

import math

from contactd.core.contacts.compiled.kernel import LANES, inlined, kernel
from contactd.core.contacts.compiled.trigonometry import sine_cosine, turned

EARTH_RADIUS_KM = 6378.135
XKE = 60.0 / math.sqrt(EARTH_RADIUS_KM**3 / 398_600.8)
J2 = 0.001082616
J3 = -0.00000253881
J4 = -0.00000165597
J3_OVER_J2 = J3 / J2
KM_PER_S = EARTH_RADIUS_KM * XKE / 60.0
DEEP_SPACE_MINUTES = 225.0

# Rows of a block.
MINUTES, GREENWICH, X, Y, Z, VX, VY, VZ, BAD, CLEAR, RATE = range(11)
ROWS = 11
BLOCK = ROWS * LANES

COEFFICIENTS = 32


@kernel
def initialise(mean_motion, eccentricity, inclination, perigee, anomaly, bstar, out):
    """Coefficients of a near-Earth orbit into ``out`` (``COEFFICIENTS``), except the node.

    Args:
        mean_motion: Kozai, in rad/min; angles in rad; ``bstar`` per Earth radius.

    Returns:
        The mean motion without Kozai's correction (rad/min): its period says which theory holds.
    """
    cosio, sinio = math.cos(inclination), math.sin(inclination)
    cosio2 = cosio * cosio
    eccsq = eccentricity * eccentricity
    omeosq = 1.0 - eccsq
    rteosq = math.sqrt(omeosq)
    ak = (XKE / mean_motion) ** (2.0 / 3.0)
    d1 = 0.75 * J2 * (3.0 * cosio2 - 1.0) / (rteosq * omeosq)
    shift = d1 / (ak * ak)
    adel = ak * (1.0 - shift * shift - shift * (1.0 / 3.0 + 134.0 * shift * shift / 81.0))
    shift = d1 / (adel * adel)
    no = mean_motion / (1.0 + shift)
    ao = (XKE / no) ** (2.0 / 3.0)
    po = ao * omeosq
    con42 = 1.0 - 5.0 * cosio2
    con41 = -con42 - cosio2 - cosio2
    rp = ao * (1.0 - eccentricity)
    simple = rp < 220.0 / EARTH_RADIUS_KM + 1.0
    sfour = 78.0 / EARTH_RADIUS_KM + 1.0
    qzms24 = ((120.0 - 78.0) / EARTH_RADIUS_KM) ** 4
    perigee_km = (rp - 1.0) * EARTH_RADIUS_KM
    if perigee_km < 156.0:
        sfour = perigee_km - 78.0
        if perigee_km < 98.0:
            sfour = 20.0
        qzms24 = ((120.0 - sfour) / EARTH_RADIUS_KM) ** 4
        sfour = sfour / EARTH_RADIUS_KM + 1.0
    pinvsq = 1.0 / (po * po)
    tsi = 1.0 / (ao - sfour)
    eta = ao * eccentricity * tsi
    etasq = eta * eta
    eeta = eccentricity * eta
    psisq = abs(1.0 - etasq)
    coef = qzms24 * tsi**4
    coef1 = coef / psisq**3.5
    cc2 = (
        coef1
        * no
        * (
            ao * (1.0 + 1.5 * etasq + eeta * (4.0 + etasq))
            + 0.375 * J2 * tsi / psisq * con41 * (8.0 + 3.0 * etasq * (8.0 + etasq))
        )
    )
    cc1 = bstar * cc2
    cc3 = 0.0
    if eccentricity > 1.0e-4:
        cc3 = -2.0 * coef * tsi * J3_OVER_J2 * no * sinio / eccentricity
    x1mth2 = 1.0 - cosio2
    cc4 = (
        2.0
        * no
        * coef1
        * ao
        * omeosq
        * (
            eta * (2.0 + 0.5 * etasq)
            + eccentricity * (0.5 + 2.0 * etasq)
            - J2
            * tsi
            / (ao * psisq)
            * (
                -3.0 * con41 * (1.0 - 2.0 * eeta + etasq * (1.5 - 0.5 * eeta))
                + 0.75 * x1mth2 * (2.0 * etasq - eeta * (1.0 + etasq)) * math.cos(2.0 * perigee)
            )
        )
    )
    cc5 = 2.0 * coef1 * ao * omeosq * (1.0 + 2.75 * (etasq + eeta) + eeta * etasq)
    cosio4 = cosio2 * cosio2
    temp1 = 1.5 * J2 * pinvsq * no
    temp2 = 0.5 * temp1 * J2 * pinvsq
    temp3 = -0.46875 * J4 * pinvsq * pinvsq * no
    mdot = (
        no
        + 0.5 * temp1 * rteosq * con41
        + 0.0625 * temp2 * rteosq * (13.0 - 78.0 * cosio2 + 137.0 * cosio4)
    )
    argpdot = (
        -0.5 * temp1 * con42
        + 0.0625 * temp2 * (7.0 - 114.0 * cosio2 + 395.0 * cosio4)
        + temp3 * (3.0 - 36.0 * cosio2 + 49.0 * cosio4)
    )
    xhdot1 = -temp1 * cosio
    nodedot = (
        xhdot1 + (0.5 * temp2 * (4.0 - 19.0 * cosio2) + 2.0 * temp3 * (3.0 - 7.0 * cosio2)) * cosio
    )
    omgcof = bstar * cc3 * math.cos(perigee)
    xmcof = 0.0
    if eccentricity > 1.0e-4:
        xmcof = -(2.0 / 3.0) * coef * bstar / eeta
    divisor = 1.0 + cosio if abs(cosio + 1.0) > 1.5e-12 else 1.5e-12
    delmo = (1.0 + eta * math.cos(anomaly)) ** 3
    cc1sq = cc1 * cc1
    d2 = 4.0 * ao * tsi * cc1sq
    temp = d2 * tsi * cc1 / 3.0
    d3 = (17.0 * ao + sfour) * temp
    d4 = 0.5 * temp * ao * tsi * (221.0 * ao + 31.0 * sfour) * cc1
    full = 0.0 if simple else 1.0
    out[0] = anomaly
    out[1] = mdot
    out[2] = perigee
    out[3] = argpdot
    out[5] = nodedot
    out[6] = 3.5 * omeosq * xhdot1 * cc1
    out[7] = cc1
    out[8] = bstar * cc4
    out[9] = 1.5 * cc1
    out[10] = omgcof * full
    out[11] = eta
    out[12] = xmcof * full
    out[13] = delmo
    out[14] = d2 * full
    out[15] = d3 * full
    out[16] = d4 * full
    out[17] = bstar * cc5 * full
    out[18] = math.sin(anomaly)
    out[19] = (d2 + 2.0 * cc1sq) * full
    out[20] = 0.25 * (3.0 * d3 + cc1 * (12.0 * d2 + 10.0 * cc1sq)) * full
    out[21] = (
        0.2
        * (3.0 * d4 + 12.0 * cc1 * d3 + 6.0 * d2 * d2 + 15.0 * cc1sq * (2.0 * d2 + cc1sq))
        * full
    )
    out[22] = no
    out[23] = eccentricity
    out[24] = sinio
    out[25] = cosio
    out[26] = -0.5 * J3_OVER_J2 * sinio
    out[27] = -0.25 * J3_OVER_J2 * sinio * (3.0 + 5.0 * cosio) / divisor
    out[28] = con41
    out[29] = x1mth2
    out[30] = 7.0 * cosio2 - 1.0
    out[31] = (XKE / no) ** (2.0 / 3.0)
    return no


@inlined
def short_period(
    axnl, aynl, sineo1, coseo1, am, nm, sinip, cosip, con41, x1mth2, x7thm1, sin_node, cos_node
):
    """From the solved Kepler equation to position (km) and velocity (km/s), not yet rotating.

    Returns them with the radius in Earth radii and the semi-latus rectum: errors show there.
    """
    ecose = axnl * coseo1 + aynl * sineo1
    esine = axnl * sineo1 - aynl * coseo1
    el2 = axnl * axnl + aynl * aynl
    pl = am * (1.0 - el2)
    rl = am * (1.0 - ecose)
    rdotl = math.sqrt(am) * esine / rl
    rvdotl = math.sqrt(pl) / rl
    betal = math.sqrt(1.0 - el2)
    temp = esine / (1.0 + betal)
    share = am / rl
    sinu = share * (sineo1 - aynl - axnl * temp)
    cosu = share * (coseo1 - axnl + aynl * temp)
    sin2u = (cosu + cosu) * sinu
    cos2u = 1.0 - 2.0 * sinu * sinu
    temp = 1.0 / pl
    temp1 = 0.5 * J2 * temp
    temp2 = temp1 * temp
    mrt = rl * (1.0 - 1.5 * temp2 * betal * con41) + 0.5 * temp1 * x1mth2 * cos2u
    sinsu, cossu = turned(sinu, cosu, -0.25 * temp2 * x7thm1 * sin2u)
    snod, cnod = turned(sin_node, cos_node, 1.5 * temp2 * cosip * sin2u)
    sini, cosi = turned(sinip, cosip, 1.5 * temp2 * cosip * sinip * cos2u)
    mvt = rdotl - nm * temp1 * x1mth2 * sin2u / XKE
    rvdot = rvdotl + nm * temp1 * (x1mth2 * cos2u + 1.5 * con41) / XKE
    xmx = -snod * cosi
    xmy = cnod * cosi
    ux = xmx * sinsu + cnod * cossu
    uy = xmy * sinsu + snod * cossu
    uz = sini * sinsu
    radius = mrt * EARTH_RADIUS_KM
    along, out = rvdot * KM_PER_S, mvt * KM_PER_S
    return (
        radius * ux,
        radius * uy,
        radius * uz,
        out * ux + along * (xmx * cossu - cnod * sinsu),
        out * uy + along * (xmy * cossu - snod * sinsu),
        out * uz + along * (sini * cossu),
        mrt,
        pl,
    )


@inlined
def _newton(angle, axnl, aynl, eo1, sine, cosine, busy):
    """One round at Kepler's equation, as SGP4 goes about it.

    SGP4 stops after a step below 1e-12 rad and does not take it; a lane that has stopped stays as
    it is while its neighbours go on.
    """
    sine_now, cosine_now = sine_cosine(eo1)
    step = (angle - aynl * cosine_now + axnl * sine_now - eo1) / (
        1.0 - cosine_now * axnl - sine_now * aynl
    )
    step = 0.95 if step > 0.95 else step
    step = -0.95 if step < -0.95 else step
    sine = sine_now if busy else sine
    cosine = cosine_now if busy else cosine
    return eo1 + step, sine, cosine, busy & (abs(step) >= 1.0e-12)


@inlined
def kepler_round(u, axnl, aynl):
    """Sine and cosine of the eccentric longitude for eccentricities below 0.02: three rounds."""
    eo1, sine, cosine, busy = _newton(u, axnl, aynl, u, 0.0, 0.0, True)
    eo1, sine, cosine, busy = _newton(u, axnl, aynl, eo1, sine, cosine, busy)
    eo1, sine, cosine, busy = _newton(u, axnl, aynl, eo1, sine, cosine, busy)
    return sine, cosine


@inlined
def kepler_long(u, axnl, aynl):
    """Sine and cosine of the eccentric longitude for any ellipse: ten rounds, as SGP4 allows."""
    eo1, sine, cosine, busy = _newton(u, axnl, aynl, u, 0.0, 0.0, True)
    eo1, sine, cosine, busy = _newton(u, axnl, aynl, eo1, sine, cosine, busy)
    eo1, sine, cosine, busy = _newton(u, axnl, aynl, eo1, sine, cosine, busy)
    eo1, sine, cosine, busy = _newton(u, axnl, aynl, eo1, sine, cosine, busy)
    eo1, sine, cosine, busy = _newton(u, axnl, aynl, eo1, sine, cosine, busy)
    eo1, sine, cosine, busy = _newton(u, axnl, aynl, eo1, sine, cosine, busy)
    eo1, sine, cosine, busy = _newton(u, axnl, aynl, eo1, sine, cosine, busy)
    eo1, sine, cosine, busy = _newton(u, axnl, aynl, eo1, sine, cosine, busy)
    eo1, sine, cosine, busy = _newton(u, axnl, aynl, eo1, sine, cosine, busy)
    eo1, sine, cosine, busy = _newton(u, axnl, aynl, eo1, sine, cosine, busy)
    return sine, cosine


def _block_kernel(kepler):
    def states(k, w, at, earth_rate):
        """Earth-fixed states of the block of ``w`` that begins at ``at``, from its two first rows.

        Args:
            k: coefficients.
            w: rows of blocks: minutes since the epoch and Greenwich angle (rad) are read; x … vz
                (km, km/s in the rotating frame) and a flag (1 where SGP4 fails) are written.
            earth_rate: rad/s.
        """
        mo, mdot, argpo, argpdot, nodeo, nodedot, nodecf = k[0], k[1], k[2], k[3], k[4], k[5], k[6]
        cc1, bcc4, t2cof, omgcof, eta, xmcof, delmo = k[7], k[8], k[9], k[10], k[11], k[12], k[13]
        d2, d3, d4, bcc5, sinmao = k[14], k[15], k[16], k[17], k[18]
        t3cof, t4cof, t5cof, no, ecco = k[19], k[20], k[21], k[22], k[23]
        sinip, cosip, aycof, xlcof = k[24], k[25], k[26], k[27]
        con41, x1mth2, x7thm1, axis = k[28], k[29], k[30], k[31]
        block = w[at : at + BLOCK]
        for i in range(LANES):
            t = block[i]
            t2 = t * t
            t3 = t2 * t
            t4 = t2 * t2
            xmdf = mo + mdot * t
            _, cosm = sine_cosine(xmdf)
            bulge = 1.0 + eta * cosm
            drift = omgcof * t + xmcof * (bulge * bulge * bulge - delmo)
            mm = xmdf + drift
            argpm = argpo + argpdot * t - drift
            nodem = nodeo + nodedot * t + nodecf * t2
            tempa = 1.0 - cc1 * t - d2 * t2 - d3 * t3 - d4 * t4
            sinm, _ = sine_cosine(mm)
            em = ecco - bcc4 * t - bcc5 * (sinm - sinmao)
            templ = t2cof * t2 + t3cof * t3 + t4 * (t4cof + t * t5cof)
            am = axis * tempa * tempa
            nm = XKE / (am * math.sqrt(am))
            unfit = (em >= 1.0) | (em < -0.001)
            em = 1.0e-6 if em < 1.0e-6 else em
            sinp, cosp = sine_cosine(argpm)
            axnl = em * cosp
            temp = 1.0 / (am * (1.0 - em * em))
            aynl = em * sinp + temp * aycof
            angle = mm + no * templ + argpm + temp * xlcof * axnl
            sineo1, coseo1 = kepler(angle, axnl, aynl)
            sin_node, cos_node = sine_cosine(nodem - block[GREENWICH * LANES + i])
            x, y, z, vx, vy, vz, mrt, pl = short_period(
                axnl, aynl, sineo1, coseo1, am, nm, sinip, cosip, con41, x1mth2, x7thm1,
                sin_node, cos_node,
            )  # fmt: skip
            block[X * LANES + i] = x
            block[Y * LANES + i] = y
            block[Z * LANES + i] = z
            block[VX * LANES + i] = vx + earth_rate * y
            block[VY * LANES + i] = vy - earth_rate * x
            block[VZ * LANES + i] = vz
            sound = (mrt >= 1.0) & (pl >= 0.0)
            block[BAD * LANES + i] = 0.0 if sound & (not unfit) else 1.0

    return states


round_states = kernel(_block_kernel(kepler_round))
long_states = kernel(_block_kernel(kepler_long))

ROUND_ECCENTRICITY = 0.018


@kernel
def near_states(k, w, at, earth_rate):
    """States of one block by whichever of the two Kepler solvers the orbit needs."""
    if k[23] < ROUND_ECCENTRICITY:
        round_states(k, w, at, earth_rate)
    else:
        long_states(k, w, at, earth_rate)
