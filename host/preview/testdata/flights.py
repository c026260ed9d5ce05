#!/usr/bin/env python3
"""Invented flights and drives to judge cueing by, as states tables. It shares no code with the project but the equations of
motion beside it, which are made for conformance.

    flights.py NAME [SECONDS] [--hz A,F,V] [--late] > states.csv     the states of one
    flights.py --list [--held]                                        names; with --held those that no tuning may look at
    flights.py --all FOLDER [SECONDS]                                 NAME.csv of every one

Default 120 s and 100 Hz of everything, without noise. --hz 5,0,2.5 gives attitude with angular velocity at 5 Hz, no specific
force, velocity at 2.5 Hz; --late lets each row arrive late by chance (observed_at_ns).

The light aeroplane is a rigid body over a flat earth with forces linear in the incidence angles up to the stall (B. Etkin,
Dynamics of Atmospheric Flight, 1972, ch. 5), a lift curve that breaks there, wheels on springs and dampers, and gusts as
first-order noise. Vehicles on roads and water follow a path with the kinematics of a rigid body. All numbers are invented.
"""
import csv
import importlib.util
import pathlib
import sys

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.ndimage import gaussian_filter1d
from scipy.spatial.transform import Rotation

_path = pathlib.Path(__file__).resolve().parents[3] / "conformance/consistency/testdata/flights.py"
_spec = importlib.util.spec_from_file_location("bodies", _path)
bodies = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(bodies)

G = 9.80665


def path(t, position, yaw, pitch, roll):
    """The rigid-body motion along sampled positions (n, e, d) with sampled angles."""
    P, E = CubicSpline(t, position), CubicSpline(t, np.c_[yaw, pitch, roll])
    R = Rotation.from_euler("ZYX", np.c_[yaw, pitch, roll])
    (dy, dp, dr), (ph, th) = E(t, 1).T, (roll, pitch)
    w = np.c_[dr - dy * np.sin(th), dp * np.cos(ph) + dy * np.sin(ph) * np.cos(th), -dp * np.sin(ph) + dy * np.cos(ph) * np.cos(th)]
    q = R.as_quat()
    return dict(t=t, p=position, v=R.inv().apply(P(t, 1)), q=np.c_[q[:, 3], q[:, :3]], w=w, f=R.inv().apply(P(t, 2) - [0, 0, G]))


def light(rng, seconds, course, gust=0.4, speed=45.0, height=300.0, bumps=0.0):
    """A light aeroplane. course(t, state) gives wanted bank, pitch, throttle 0..1, brake 0..1."""
    m, S, b, c, J = 720.0, 15.0, 10.0, 1.5, np.array([950.0, 1400.0, 2100.0])
    air, roll_air = bodies.gusts(rng, seconds, gust), bodies.gusts(rng, seconds, 0.06 * gust)
    wheels = np.array([[1.2, 0, 1.1], [-0.35, -1.1, 1.1], [-0.35, 1.1, 1.1]])
    rough = [(a, k, x) for a, k, x in zip(bumps * rng.random(8), 2 * np.pi / rng.uniform(2, 20, 8), rng.uniform(0, 6, 8))]
    stall_side = rng.choice([-1, 1])

    def fm(t, p, v, q, w):
        R = bodies.rotation(q).as_matrix()
        roll, pitch, yaw = bodies.angles(q)
        va = v - R.T @ air(t)
        V = max(np.linalg.norm(va), 1.0)
        al, be = np.arctan2(va[2], max(va[0], 1.0)), np.arcsin(np.clip(va[1] / V, -1, 1))
        Q = 0.5 * 1.2 * V * V * S
        bank, nose, throttle, brake = course(t, dict(p=p, V=V, al=al, pitch=pitch, on=p[2] > -1.3))
        da = np.clip(1.2 * (bank - roll) - 0.5 * w[0], -0.4, 0.4)
        de = np.clip(2.0 * (nose - pitch) - 0.9 * w[1], -0.45, 0.45)
        over = max(0.0, al - 0.27)
        CL = 0.35 + 4.8 * (al - 1.9 * over if over < 0.25 else 0.27 - 0.9 * 0.25) + 4.0 * w[1] * c / (2 * V)
        CD = 0.03 + 0.055 * CL * CL + 1.5 * over
        lift, drag = Q * CL, Q * CD
        buffet = over * Q * 0.6 * np.sin(2 * np.pi * 9 * t)
        F = np.array([-drag * np.cos(al) + lift * np.sin(al) + throttle * 2400 * (1 - V / 90),
                      -0.6 * Q * be, -lift * np.cos(al) - drag * np.sin(al) + buffet])
        pw = w[0] - roll_air(t)[0]
        M = Q * np.array([b * (-0.08 * be - 0.45 * pw * b / (2 * V) + 0.1 * w[2] * b / (2 * V) + 0.14 * da + 0.25 * stall_side * over),
                          c * (0.03 - 0.7 * al - 12 * w[1] * c / (2 * V) - 0.8 * over + 1.3 * de),
                          b * (0.07 * be - 0.03 * w[0] * b / (2 * V) - 0.1 * w[2] * b / (2 * V))])
        for at in wheels:
            where, speed_ = p + R @ at, v + np.cross(w, at)
            along = R @ speed_
            ground = sum(a * np.sin(k * where[0] + x) for a, k, x in rough)
            depth = where[2] + ground
            if depth <= 0:
                continue
            N = max(0.0, 60000 * depth + 5000 * along[2])
            side = -np.clip(0.8 * speed_[1] / max(abs(speed_[0]), 2.0) * 6, -0.7, 0.7) * N
            drag_ = -np.tanh(speed_[0]) * N * (0.02 + 0.45 * brake * (at[0] < 0))
            f = np.array([drag_, side, 0]) + R.T @ np.array([0, 0, -N])
            F, M = F + f, M + np.cross(at, f)
            M[2] -= 900 * w[2]
        return F, M

    q0 = Rotation.from_euler("ZYX", [0, 0.02 if height > 2 else 0.0, 0]).as_quat()
    start = np.concatenate([[0, 0, -height], [speed, 0, 0.02 * speed], [q0[3], *q0[:3]], [0, 0, 0]])
    return bodies.body(fm, m, J, start, seconds)



def turbulence(rng, s):
    def course(t, x):
        return 0.25 * np.sin(t / 11), 0.03 + 0.02 * np.sin(t / 7), np.clip(0.6 + 0.06 * (45 - x["V"]), 0, 1), 0
    return light(rng, s, course, gust=2.2)


def circuit(rng, s):
    legs = rng.uniform(-0.5, 0.5, 40) * (rng.random(40) < 0.7)

    def course(t, x):
        k = int(t / 12)
        return legs[k], 0.04 + 0.06 * np.sin(k), np.clip(0.6 + 0.06 * (45 - x["V"]), 0, 1), 0
    return light(rng, s, course, gust=0.5)


def stall(rng, s):
    period = rng.uniform(24, 30)

    def course(t, x):
        u = t % period
        if u < 0.62 * period:  # slow down, nose up, more and more
            return 0.0, 0.05 + 0.5 * u / period, 0.05, 0
        if u < 0.78 * period:  # let the nose fall
            return 0.0, -0.25, 1.0, 0
        return 0.0, 0.06, 0.9, 0
    return light(rng, s, course, gust=0.6, height=900)


def landing(rng, s):
    lead = 0.6 * s

    def course(t, x):
        h = -x["p"][2] - 1.1
        if x["on"] and t > 0.3 * s:
            return 0.0, -0.01, 0.0, np.clip((t - lead - 0.1 * s) / 4, 0, 1) * (0.6 + 0.4 * np.sin(t / 3))
        path_ = max(0.0, (lead - t)) * 1.9 - 0.2
        sink = 0.03 * (path_ - h)
        nose = -0.02 + np.clip(sink, -0.12, 0.12) if h > 4 else 0.06
        return 0.02 * np.sin(t), nose, np.clip(0.25 + 0.08 * (34 - x["V"]) + 0.4 * sink, 0, 1) * (h > 2), 0
    return light(rng, s, course, gust=1.0, speed=34.0, height=lead * 1.9 + 1.0, bumps=0.02)


def takeoff(rng, s):
    def course(t, x):
        if t < 6:
            return 0, 0, 0, 1
        if x["on"]:
            return 0, 0.12 if x["V"] > 27 else 0.0, min(1, (t - 6) / 3), 0
        return (0.35 * np.sin(t / 9) if t > 50 else 0), 0.10 if t < 70 else 0.04, 0.95 if t < 70 else 0.65, 0
    return light(rng, s, course, gust=0.8, speed=0.0, height=1.04, bumps=0.02)


def aerobatic(rng, s):
    return bodies.aeroplane(rng, s, bodies.aerobatic_course(rng, s))


def glider(rng, s):
    sides = rng.choice([-1, 1], 20)

    def course(t):  # circling, with straight runs between
        k = int(t / 25)
        return (0.75 * sides[k] if t % 25 < 18 else 0.0), 0.02 + 0.03 * np.sin(t / 5), None, None
    return bodies.aeroplane(rng, s, course, gust=0.9, glider=True)


def model(rng, s):
    return bodies.aeroplane(rng, s, bodies.bank_course(rng, s, 0.9), gust=1.2)


def helicopter(rng, s):
    """Hover, dash and quick stop along a smooth path; the thrust is along the body's z, so attitude follows from it."""
    t = np.arange(0, s, 0.01)
    knots = np.arange(0, s + 8, 6.0)
    v = CubicSpline(knots, np.c_[rng.uniform(-4, 22, len(knots)), rng.uniform(-5, 5, len(knots)), rng.uniform(-1.5, 1.5, len(knots))]
                    * (knots > 8)[:, None] * (rng.random(len(knots)) < 0.75)[:, None])
    air = bodies.gusts(rng, s, 0.5)
    a = v(t, 1) + gaussian_filter1d(air(t), 20, axis=0) * 0.4 + 0.03 * v(t) * np.array([1, 1, 0])
    yaw = np.cumsum(gaussian_filter1d(rng.normal(0, 3, len(t)), 300)) * 0.01
    lead = a[:, :2]
    fwd, side = lead[:, 0] * np.cos(yaw) + lead[:, 1] * np.sin(yaw), -lead[:, 0] * np.sin(yaw) + lead[:, 1] * np.cos(yaw)
    pitch, roll = np.arctan2(-fwd, G), np.arctan2(side, G)
    shake = 0.0015 * np.sin(2 * np.pi * 5.5 * t)[:, None] * [0.1, 0.15, 1]
    pos = np.cumsum(v(t), axis=0) * 0.01 + shake
    return path(t, pos, yaw, pitch + 0.0006 * np.sin(2 * np.pi * 5.5 * t), roll)


def drive(rng, s, top, grip, rough, hills, body_roll):
    """A road vehicle: speed and bend from chance within grip (m/s²), bumps by the metre, body leaning outwards and diving."""
    dt = 0.01
    t = np.arange(0, s, dt)
    push = gaussian_filter1d(np.repeat(rng.uniform(-grip, 0.6 * grip, int(s / 2.5) + 2), 250)[:len(t)], 30)
    u = np.zeros(len(t))
    for i in range(1, len(t)):
        u[i] = np.clip(u[i - 1] + push[i] * dt, np.clip(t[i] - 4, 0, 2), top) if t[i] > 4 else 0.0
    u = gaussian_filter1d(u, 12)
    lateral = gaussian_filter1d(np.repeat(rng.uniform(-grip, grip, int(s / 3) + 2) * (rng.random(int(s / 3) + 2) < 0.7), 300)[:len(t)], 40)
    bend = np.where(u > 3, lateral / np.maximum(u, 3) ** 2, 0)
    yaw = np.cumsum(u * np.clip(gaussian_filter1d(bend, 20), -0.12, 0.12)) * dt
    along = np.cumsum(u) * dt
    z = np.zeros(len(t)); tilt = np.zeros(len(t)); lean = np.zeros(len(t))
    for length in rng.uniform(1.5, 30, 14):
        a, x, y = rough * 0.004 * length ** 0.9, rng.uniform(0, 6), rng.uniform(0, 6)
        k = 2 * np.pi / length
        z += a * np.sin(k * along + x)
        tilt += a * k * np.cos(k * along + x) * 0.6
        lean += a * 0.7 * np.sin(k * along + y)
    z += hills * np.sin(along / 60); tilt += hills / 60 * np.cos(along / 60)
    du, dyaw = np.gradient(u, dt), np.gradient(yaw, dt)
    n, e = np.cumsum(u * np.cos(yaw)) * dt, np.cumsum(u * np.sin(yaw)) * dt
    soft = lambda x: gaussian_filter1d(x, 8)
    return path(t, np.c_[n, e, -soft(z)], yaw, soft(tilt + 0.004 * du), soft(lean - body_roll * u * dyaw))


def boat(rng, s):
    t = np.arange(0, s, 0.01)
    u = 6 + 3 * np.sin(t / 17)
    yaw = 0.8 * np.sin(t / 14) + np.cumsum(0.05 * np.sin(t / 9)) * 0.01
    z = pitch = roll = 0
    for w in rng.uniform(0.6, 2.6, 12):
        a, x, y = 0.16 / w, rng.uniform(0, 6), rng.uniform(0, 6)
        z, pitch, roll = z + a * np.sin(w * t + x), pitch + 0.25 * a * w * np.cos(w * t + x), roll + 0.3 * a * w * np.cos(0.8 * w * t + y)
    n, e = np.cumsum(u * np.cos(yaw)) * 0.01, np.cumsum(u * np.sin(yaw)) * 0.01
    return path(t, np.c_[n, e, z], yaw, pitch, roll + 0.12 * np.gradient(yaw, 0.01) * 5)


# name: (make, seed, class, held out of every tuning)
FLIGHTS = {
    "turbulence": (turbulence, 1, "aeroplane", False),
    "circuit": (circuit, 2, "aeroplane", False),
    "stall": (stall, 3, "aeroplane", False),
    "landing": (landing, 4, "aeroplane", False),
    "takeoff": (takeoff, 5, "aeroplane", False),
    "aerobatic": (aerobatic, 6, "aeroplane", False),
    "glider": (glider, 7, "glider", False),
    "multirotor": (bodies.multirotor, 8, "multirotor", False),
    "helicopter": (helicopter, 9, "helicopter", False),
    "road": (lambda r, s: drive(r, s, 28, 3.5, 0.25, 1.5, 0.010), 10, "car", False),
    "boat": (boat, 11, "boat", False),
    "model": (model, 21, "aeroplane", True),
    "stall-2": (stall, 22, "aeroplane", True),
    "landing-2": (landing, 23, "aeroplane", True),
    "track": (lambda r, s: drive(r, s, 45, 7.5, 0.12, 0.8, 0.006), 24, "car", True),
    "dirt": (lambda r, s: drive(r, s, 17, 4.5, 1.0, 2.0, 0.012), 25, "ground", True),
    "helicopter-2": (helicopter, 26, "helicopter", True),
}
HEADER = bodies.HEADER[:18] + ["vehicle_class"]


def states(name, seconds, hz=(100, 100, 100), late=False):
    make, seed, kind, _ = FLIGHTS[name]
    rng = np.random.default_rng(seed)
    m = make(rng, seconds)
    chance = np.random.default_rng(seed + 1000)
    R = bodies.rotation_array(m["q"])
    rows = {}
    for group, rate in enumerate(hz):
        if rate <= 0:
            continue
        for k in range(int(seconds * rate)):
            i = int(round(k * 100 / rate))
            if i >= len(m["t"]):
                break
            row = rows.setdefault(i, dict(vehicle_class=kind))
            if group == 0:
                row.update(zip(HEADER[8:12], np.round(m["q"][i], 6)))
                row.update(zip(HEADER[12:15], np.round(m["w"][i], 5)))
            elif group == 1:
                row.update(zip(HEADER[15:18], np.round(m["f"][i], 4)))
            else:
                row.update(zip(HEADER[5:8], np.round(R[i] @ m["v"][i], 4)))
    last = 0
    for i in sorted(rows):
        t = i * 10_000_000
        last = max(last, 1_700_000_000_000_000_000 + t + (int(chance.exponential(0.02) * 1e9) if late else 0))
        yield dict(rows[i], source_time_ns=t, observed_at_ns=last)


def write(file, *a):
    out = csv.DictWriter(file, HEADER)
    out.writeheader()
    for row in states(*a):
        out.writerow({k: (f"{float(v):.10g}" if isinstance(v, float) else v) for k, v in row.items()})


def main(words):
    hz, late = (100, 100, 100), "--late" in words
    if "--hz" in words:
        i = words.index("--hz")
        hz = [float(x) for x in words[i + 1].split(",")]
        del words[i:i + 2]
    plain = [w for w in words if not w.startswith("--")]
    if "--list" in words:
        print("\n".join(n for n, f in FLIGHTS.items() if f[3] == ("--held" in words)))
    elif "--all" in words:
        for name in FLIGHTS:
            with open(pathlib.Path(plain[0]) / f"{name}.csv", "w", newline="") as file:
                write(file, name, float(plain[1]) if len(plain) > 1 else 120.0, hz, late)
    else:
        write(sys.stdout, plain[0], float(plain[1]) if len(plain) > 1 else 120.0, hz, late)


if __name__ == "__main__":
    main(sys.argv[1:])
