"""Positions in ``camm`` timed metadata: the published camera motion metadata specification.

A sample is two bytes of zero, a 16-bit type and its fields, all little-endian. Type 5 is a
position; type 6 a position with velocity, accuracies, fix and GPS time. The others (angles,
rates, accelerations, exposure, magnetic field, a local position) are passed over by their size.
"""

from __future__ import annotations

import struct

import numpy as np

from overlay.logs.fixes import Fixes, fixes_of

SIZES = {0: 12, 1: 8, 2: 12, 3: 12, 4: 12, 5: 24, 6: 56, 7: 12}  # bytes after the type
TYPE = struct.Struct("<HH")
NOTHING = fixes_of(np.zeros((0, 5)))
GPS_FIELDS = struct.Struct("<didd7f")
# GPS time starts on 6 January 1980 and knows no leap seconds, of which there were 18 after that
# (IERS Bulletin C 52; none added since 2017).
GPS_EPOCH_UNIX_S = 315_964_800 - 18


def positions(data: bytes) -> Fixes | None:
    """The positions of one packet, without times, since a packet has one time.

    None for a packet of another kind: types and sizes must fit from the first byte to the last.
    """
    rows = []
    at = 0
    while at + 4 <= len(data):
        zero, kind = TYPE.unpack_from(data, at)
        at += 4
        if zero or kind not in SIZES or at + SIZES[kind] > len(data):
            return None
        if kind == 5:
            rows.append((*struct.unpack_from("<3d", data, at), *[np.nan] * 5))
        elif kind == 6:
            epoch_s, fix, *place, _, _, east, north, up, sigma = GPS_FIELDS.unpack_from(data, at)
            over_ground = float(np.hypot(east, north))
            space = float(np.hypot(over_ground, up))
            utc_s = epoch_s + GPS_EPOCH_UNIX_S if epoch_s > 0 else np.nan
            rows.append((*place, over_ground, space, sigma, float(fix), utc_s))
        at += SIZES[kind]
    if at != len(data) or not at:
        return None
    if not rows:
        return NOTHING
    table = np.array(rows, dtype=np.float64).reshape(-1, 8)
    sigma = np.where(table[:, 5] > 0, table[:, 5], np.nan)
    return fixes_of(table[:, :5], sigma_mps=sigma, fix=table[:, 6], utc_s=table[:, 7])
