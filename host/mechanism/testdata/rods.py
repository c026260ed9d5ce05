"""Seats on rods and linear actuators, worked out apart from the Go code: every table of rods_test.go, as JSON.

Each seat is a list of balls written down here: two-, three- and six-linear and six-crank, and the planar loop of a crank
under an arm. Origin where the seat turns, x forward, y right, z down. Attitudes come from
scipy.spatial.transform.Rotation, intrinsic z-y-x; crank angles are roots (scipy.optimize.brentq), forward solutions are
least squares over all axes from level (scipy.optimize.least_squares), never a closed form of the Go code; slopes are
central differences; limits are roots along rays. m and deg.
"""
import json
from math import cos, degrees, pi, radians, sin, sqrt

import numpy as np
from scipy.optimize import brentq, least_squares, minimize_scalar
from scipy.spatial.transform import Rotation

AXES = ["surge", "sway", "heave", "roll", "pitch", "yaw"]


def round_about(radius, azimuths, z):
    return [np.array([radius * cos(radians(a)), radius * sin(radians(a)), z]) for a in azimuths]


SEATS = {
    "two-linear": dict(
        moves=["roll", "pitch"],
        seat=[np.array([-0.40, s * 0.30, -0.03]) for s in (-1, 1)],
        base=[np.array([-0.40 + 0.05, s * 0.34, 0.55]) for s in (-1, 1)]),
    "three-linear": dict(
        moves=["heave", "roll", "pitch"],
        seat=[np.array([0.42, 0, -0.02])] + [np.array([-0.36, s * 0.30, -0.02]) for s in (-1, 1)],
        base=[np.array([0.42 - 0.04, 0, 0.60])] + [np.array([-0.36 + 0.03, s * 0.35, 0.60]) for s in (-1, 1)]),
    "six-linear": dict(
        moves=AXES,
        seat=round_about(0.35, [10, 110, 130, 230, 250, 350], 0),
        base=round_about(0.50, [50, 70, 170, 190, 290, 310], 0.60)),
    # a pair of the seat at the back: all turned by half a turn, counted from the first right of the front
    "six-linear turned": dict(
        moves=AXES,
        seat=round_about(0.35, [50, 70, 170, 190, 290, 310], 0),
        base=round_about(0.50, [10, 110, 130, 230, 250, 350], 0.60)),
    "six-crank": dict(
        moves=AXES,
        seat=round_about(0.35, [10, 110, 130, 230, 250, 350], 0),
        base=round_about(0.50, [50, 70, 170, 190, 290, 310], 0.60),
        arm=[-40, 160, 80, 280, 200, 40], radius=0.15, rod=0.65),
    "six-crank together": dict(
        moves=AXES,
        seat=round_about(0.40, [8, 112, 128, 232, 248, 352], 0),
        base=round_about(0.40, [50, 70, 170, 190, 290, 310], 0.55),
        arm=[140, -20, 260, 100, 380, 220], radius=0.12, rod=0.68, small=0.5),
}


def balls(s, pose):
    """Seat balls at a pose of surge, sway, heave in m and roll, pitch, yaw in deg."""
    turn = Rotation.from_euler("ZYX", [pose[5], pose[4], pose[3]], degrees=True)
    return [np.array(pose[:3]) + turn.apply(p) for p in s["seat"]]


def tip(s, i, angle):
    a, b = radians(angle), radians(s["arm"][i])
    return s["base"][i] + s["radius"] * np.array([cos(a) * cos(b), cos(a) * sin(b), -sin(a)])


def actuator(s, i, pose):
    """Length of a leg in m, or the crank's angle in deg between its dead centres."""
    p = balls(s, pose)[i]
    if "arm" not in s:
        return float(np.linalg.norm(p - s["base"][i]))
    d, b = p - s["base"][i], radians(s["arm"][i])
    toward = degrees(np.arctan2(-d[2], d[0] * cos(b) + d[1] * sin(b)))  # crank in line with the rod
    return brentq(lambda a: np.linalg.norm(p - tip(s, i, a)) - s["rod"], toward - 180, toward, xtol=1e-13)


def actuators(s, pose):
    return [actuator(s, i, pose) for i in range(len(s["seat"]))]


def whole(s, values):
    pose = [0.0] * 6
    for a, v in zip(s["moves"], values):
        pose[AXES.index(a)] = v
    return pose


def forward(s, q):
    """The pose of actuator positions; angles are searched in units of 10 deg, so that all unknowns are of one size."""
    scale = [1.0 if AXES.index(a) < 3 else 10.0 for a in s["moves"]]

    def miss(x):
        p = balls(s, whole(s, [v * k for v, k in zip(x, scale)]))
        if "arm" in s:
            return [np.linalg.norm(b - tip(s, i, q[i])) - s["rod"] for i, b in enumerate(p)]
        return [np.linalg.norm(b - s["base"][i]) - q[i] for i, b in enumerate(p)]

    r = least_squares(miss, [0.0] * len(scale), xtol=1e-15, ftol=1e-15, gtol=1e-15)
    return whole(s, [v * k for v, k in zip(r.x, scale)])


def slopes(s, pose):
    """Of each actuator by each axis it moves: m or rad, by m or rad."""
    out = []
    for i in range(len(s["seat"])):
        row = [0.0] * 6
        for a in s["moves"]:
            k = AXES.index(a)
            h = 1e-5 if k < 3 else degrees(1e-5)
            up, down = list(pose), list(pose)
            up[k] += h
            down[k] -= h
            row[k] = (actuator(s, i, up) - actuator(s, i, down)) / 2e-5
            if "arm" in s:
                row[k] = radians(row[k])
        out.append(row)
    return out


def turned(s, pose):
    """The most that a leg's direction turns from that of the level seat, seen from the base and from the seat, deg."""
    turn = Rotation.from_euler("ZYX", [pose[5], pose[4], pose[3]], degrees=True)
    most = 0.0
    for p, level, foot in zip(balls(s, pose), s["seat"], s["base"]):
        rest = level - foot
        for now in (p - foot, turn.inv().apply(p - foot)):
            most = max(most, degrees(np.arctan2(np.linalg.norm(np.cross(rest, now)), rest @ now)))
    return most


def joint_limit(s, ray, angle):
    return brentq(lambda t: turned(s, [v * t for v in ray]) - angle, 0, 1, xtol=1e-13)


POSES = {
    2: [(0, 0), (0, 6), (0, -6), (7, 0), (-7, 0), (3, 4), (-5, 2), (6, -7)],
    3: [(0, 0, 0), (-0.05, 0, 0), (0.05, 0, 0), (0, 7, 0), (0, -7, 0), (0, 0, 6), (0, 0, -6), (0.02, 3, -4), (-0.03, -5, 2)],
    6: [(0, 0, 0, 0, 0, 0), (0, 0, -0.05, 0, 0, 0), (0.05, -0.03, 0, 0, 0, 0), (0, 0, 0, 8, 0, 0), (0, 0, 0, 0, 8, 0),
        (0, 0, 0, 0, 0, 10), (0.03, 0.02, -0.02, 4, -6, 8), (-0.02, 0.03, 0.02, -5, 3, -7)],
}
out = {"seats": {}, "joints": [], "planar": [], "dead": []}
for name, s in SEATS.items():
    rows = []
    for p in POSES[len(s["moves"])]:
        pose = whole(s, [v * s.get("small", 1) for v in p])
        q = actuators(s, pose)
        back = forward(s, q)
        assert max(abs(a - b) for a, b in zip(pose, back)) < 1e-7, (name, pose, back)
        rows.append({"pose": list(pose), "actuators": q, "forward": back, "slopes": slopes(s, pose)})
    out["seats"][name] = rows

for name, ray in [("two-linear", (0, 0, 0, 0, 40, 0)), ("two-linear", (0, 0, 0, 40, 0, 0)), ("three-linear", (0, 0, 0, 0, 40, 0)),
                  ("six-linear", (0.5, 0, 0, 0, 0, 0)), ("six-linear", (0, 0.5, 0, 0, 0, 0)), ("six-linear", (0, 0, 0, 0, 0, 60))]:
    out["joints"].append({"seat": name, "ray": list(ray), "at": joint_limit(SEATS[name], ray, 12)})

# A crank under an arm, in the plane: pivot at the origin, x to the attachment, y up. The rod is upright at mid.
R, r = 0.40, 0.10


def arm(L, phi):
    """The arm's angle for the crank's, deg: the root between the two angles at which rod and arm are in line."""
    p = np.array([R - r + r * cos(radians(phi)), -L + r * sin(radians(phi))])
    miss = lambda t: np.linalg.norm(R * np.array([cos(radians(t)), sin(radians(t))]) - p) - L
    toward = degrees(np.arctan2(p[1], p[0]))
    return brentq(miss, toward, toward + 179, xtol=1e-13)


for L in (0.30, 0.40, 0.60):
    out["planar"] += [{"rod": L, "crank": phi, "arm": arm(L, phi)} for phi in (-75, -60, -45, -30, -10, 10, 30, 45, 60, 75)]
    m = minimize_scalar(lambda phi: -arm(L, phi), bounds=(60, 100), method="bounded", options={"xatol": 1e-10})
    out["dead"].append({"rod": L, "crank": float(m.x), "arm": float(-m.fun)})


def rounded(v):
    if isinstance(v, dict):
        return {k: rounded(x) for k, x in v.items()}
    if isinstance(v, list):
        return [rounded(x) for x in v]
    return round(float(v), 9) + 0.0 if isinstance(v, (float, np.floating)) else v


print(json.dumps(rounded(out)).replace('{"pose"', '\n{"pose"').replace('{"seat"', '\n{"seat"').replace('{"rod"', '\n{"rod"'))
