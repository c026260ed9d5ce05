"""Two-crank seat, worked out apart from the Go code: every table of twocrank_test.go, as JSON.

Geometry: seat points (-0.40, -+0.30, 0) m, crank centres 0.60 m under them, crank radius 0.10 m, rod sqrt(0.37) m,
origin at the universal joint, x forward, y right, z down. The rod's length is solved as an equation for the crank
angle (scipy.optimize.brentq), never by the closed form; derivatives are central differences; limits are roots.
Attitudes come from scipy.spatial.transform.Rotation, intrinsic z-y-x.
"""
import json
from math import cos, degrees, asin, radians, sin, sqrt

import numpy as np
from scipy.optimize import brentq, fsolve
from scipy.spatial.transform import Rotation

RADIUS, ROD = 0.10, sqrt(0.37)
POINT = [np.array([-0.40, s * 0.30, 0.0]) for s in (-1, 1)]
CENTRE = [p + [0, 0, 0.60] for p in POINT]


def point(i, roll, pitch):
    return Rotation.from_euler("ZYX", [0, pitch, roll], degrees=True).apply(POINT[i])


def tip(i, angle, facing=1):
    a = radians(angle)
    return CENTRE[i] + RADIUS * np.array([facing * cos(a), 0, -sin(a)])


def rod(i, roll, pitch, angle, facing=1):
    return point(i, roll, pitch) - tip(i, angle, facing)


def transmission(i, roll, pitch, angle, facing=1):
    a = radians(angle)
    moves = np.array([-facing * sin(a), 0, -cos(a)])
    return degrees(asin(rod(i, roll, pitch, angle, facing) @ moves / ROD))


def crank(i, roll, pitch, facing=1):
    """The angle between dead centres at which the rod fits; None where there is none."""
    miss = lambda a: np.linalg.norm(rod(i, roll, pitch, a, facing)) - ROD
    d = point(i, roll, pitch) - CENTRE[i]
    toward = degrees(np.arctan2(-d[2], facing * d[0]))  # crank in line with the rod
    try:
        return brentq(miss, toward - 180, toward, xtol=1e-13)
    except ValueError:
        return None


def slope(i, roll, pitch):
    h = 1e-4
    return [(crank(i, roll + h, pitch) - crank(i, roll - h, pitch)) / (2 * h),
            (crank(i, roll, pitch + h) - crank(i, roll, pitch - h)) / (2 * h)]


def least(roll, pitch):
    out = []
    for i in (0, 1):
        a = crank(i, roll, pitch)
        out.append(-1 if a is None else transmission(i, roll, pitch, a))
    return min(out)


def limit(roll, pitch, angle):
    """How far along a ray from level the transmission angle falls to this."""
    low, high = 0.0, 30.0
    for _ in range(100):
        middle = (low + high) / 2
        low, high = (middle, high) if least(roll * middle, pitch * middle) >= angle else (low, middle)
    return low


def forward(left, right):
    miss = lambda x: [np.linalg.norm(rod(i, *x, a)) - ROD for i, a in enumerate((left, right))]
    return list(fsolve(miss, [0, 0], xtol=1e-13))


poses = [(0, 0), (0, 5), (0, -5), (5, 0), (-5, 0), (0, 10), (0, -10), (10, 0), (3, 4), (8, -6), (-6, 7)]
out = {"inverse": [], "forward": [], "limits": [], "backward": [], "unreachable": crank(1, 10, 10) is None,
       "reachable_left": crank(0, 10, 10)}
for p in poses:
    a = [crank(i, *p) for i in (0, 1)]
    out["inverse"].append([*p, *a, *[transmission(i, *p, a[i]) for i in (0, 1)], *slope(0, *p), *slope(1, *p)])
for a in [(10, 10), (20, -20), (-15, 25), (30, 30), (-30, -30), (0, 15)]:
    out["forward"].append([*a, *forward(*a)])
for ray in [(0, 1), (0, -1), (1, 0), (-1, 0), (1, 1), (1, -1)]:
    out["limits"].append([*ray, limit(*ray, 30), limit(*ray, 45)])
for p in [(0, 5), (0, -5), (5, 0), (-5, 0)]:
    out["backward"].append([*p, *[crank(i, *p, -1) for i in (0, 1)]])
print("{")
for n, (key, value) in enumerate(out.items()):
    rows = json.dumps(value) if not isinstance(value, list) else \
        "[\n    " + ",\n    ".join(json.dumps([round(v, 9) for v in r]) for r in value) + "\n  ]"
    print('  "%s": %s%s' % (key, rows, "," if n + 1 < len(out) else ""))
print("}")
