#!/usr/bin/env python3
"""Invented flights from textbook equations of motion, as states tables. It shares no code with the project.

    flights.py KIND SEED SECONDS [--clean] > states.csv
    flights.py --list

The equations are those of a rigid body over a flat earth in body axes (x forward, y right, z down) and north, east, down:
    v' = F/m + R^T g - w x v,   w' = J^-1 (M - w x J w),   p' = R v,   q' = q (0, w) / 2
as in any text on flight dynamics (B. Etkin, Dynamics of Atmospheric Flight, 1972, ch. 5). The aerodynamic forces are linear
in the incidence angles and rates; their coefficients and all vehicles, masses and courses are invented. Rotations are
scipy's. Needs numpy and scipy.
"""
import csv
import sys

import numpy as np
from scipy.integrate import solve_ivp
from scipy.interpolate import CubicSpline
from scipy.spatial.transform import Rotation

G = np.array([0, 0, 9.80665])


def rotation(q):  # w, x, y, z
    return Rotation.from_quat([q[1], q[2], q[3], q[0]])


def angles(q):
    yaw, pitch, roll = rotation(q).as_euler("ZYX")
    return roll, pitch, yaw


def body(force_moment, mass, inertia, start, seconds, step=0.01):
    """The motion of a rigid body: times, position, body velocity, quaternion, rates, specific force (body)."""
    J = np.diag(inertia)

    def rate(t, y):
        v, q, w = y[3:6], y[6:10] / np.linalg.norm(y[6:10]), y[10:13]
        R = rotation(q).as_matrix()
        F, M = force_moment(t, y[0:3], v, q, w)
        dq = 0.5 * np.array([
            -q[1] * w[0] - q[2] * w[1] - q[3] * w[2],
            q[0] * w[0] + q[2] * w[2] - q[3] * w[1],
            q[0] * w[1] + q[3] * w[0] - q[1] * w[2],
            q[0] * w[2] + q[1] * w[1] - q[2] * w[0]])
        return np.concatenate([R @ v, F / mass + R.T @ G - np.cross(w, v), dq,
                               np.linalg.solve(J, M - np.cross(w, J @ w))])

    t = np.arange(0, seconds, step)
    s = solve_ivp(rate, (0, t[-1]), start, t_eval=t, max_step=0.02, rtol=1e-6, atol=1e-7)
    y = s.y.T
    q = y[:, 6:10] / np.linalg.norm(y[:, 6:10], axis=1)[:, None]
    f = np.array([force_moment(a, b[0:3], b[3:6], c, b[10:13])[0] / mass for a, b, c in zip(t, y, q)])
    return dict(t=t, p=y[:, 0:3], v=y[:, 3:6], q=q, w=y[:, 10:13], f=f)


def gusts(rng, seconds, size):
    t = np.arange(0, seconds + 2, 0.1)
    g = np.zeros((len(t), 3))
    for i in range(1, len(t)):
        g[i] = g[i - 1] * (1 - 0.1 / 1.5) + size * np.sqrt(2 * 0.1 / 1.5) * rng.standard_normal(3)
    return CubicSpline(t, g)


def aeroplane(rng, seconds, course, gust=0.5, glider=False, size=1.0):
    """course(t) gives (roll wanted or None, pitch wanted or None, roll rate, pitch rate)."""
    m, S, b, c = 2.2 * size, 0.45, 1.8, 0.25
    J = np.array([0.12, 0.15, 0.25]) * size
    wind = np.append(rng.normal(0, 2.5, 2), 0)
    air = gusts(rng, seconds, gust)
    cruise = 19.0 if not glider else 14.0

    def fm(t, p, v, q, w):
        R = rotation(q).as_matrix()
        va = v - R.T @ (wind + air(t))
        V = max(np.linalg.norm(va), 3.0)
        al, be = np.arctan2(va[2], max(va[0], 0.5)), np.arcsin(np.clip(va[1] / V, -1, 1))
        Q = 0.5 * 1.225 * V * V * S
        roll, pitch, yaw = angles(q)
        wr, wp, pr, qr = course(t)
        da = 0.9 * (wr - roll) - 0.25 * w[0] if wr is not None else 0.30 * (pr - w[0])
        de = 1.2 * (wp - pitch) - 0.3 * w[1] if wp is not None else 0.5 * (qr - w[1])
        da, de = np.clip(da, -0.5, 0.5), np.clip(de, -0.6, 0.6)
        al = np.clip(al, -0.35, 0.35)
        CL = 0.35 + 4.6 * al + 3.5 * w[1] * c / (2 * V)
        CD = 0.035 + 0.06 * CL * CL
        CY = -0.45 * be
        lift, drag = Q * CL, Q * CD
        T = 0.0 if glider else max(0.0, 5.5 + 1.6 * (cruise - V))
        F = np.array([-drag * np.cos(al) + lift * np.sin(al) + T, Q * CY, -lift * np.cos(al) - drag * np.sin(al)])
        Cl = -0.06 * be - 0.45 * w[0] * b / (2 * V) + 0.12 * w[2] * b / (2 * V) + 0.16 * da
        Cm = 0.02 - 0.55 * al - 11 * w[1] * c / (2 * V) + 0.9 * de
        Cn = 0.08 * be - 0.03 * w[0] * b / (2 * V) - 0.12 * w[2] * b / (2 * V)
        M = Q * np.array([b * Cl, c * Cm, b * Cn])
        return F, M

    q0 = Rotation.from_euler("ZYX", [rng.uniform(-3, 3), 0.03, 0.0]).as_quat()
    start = np.concatenate([[0, 0, -120], [cruise, 0, 0.4], [q0[3], q0[0], q0[1], q0[2]], [0, 0, 0]])
    m_ = body(fm, m, J, start, seconds)
    R = rotation_array(m_["q"])
    va = m_["v"] - np.array([r.T @ (wind + air(a)) for r, a in zip(R, m_["t"])])
    V = np.linalg.norm(va, axis=1)
    m_["air"] = np.c_[V, np.arctan2(va[:, 2], va[:, 0]), np.arcsin(va[:, 1] / V)]
    return m_


def rotation_array(q):
    return Rotation.from_quat(np.c_[q[:, 1:4], q[:, 0]]).as_matrix()


def bank_course(rng, seconds, most, dwell=(4, 9)):
    times, wanted, t = [0], [(0, 0)], 0.0
    while t < seconds:
        t += rng.uniform(*dwell)
        times.append(t)
        wanted.append((rng.uniform(-most, most), rng.uniform(-0.12, 0.2)))

    def course(t):
        i = np.searchsorted(times, t, "right") - 1
        return wanted[i][0], wanted[i][1], None, None
    return course


def aerobatic_course(rng, seconds):
    plan, t = [], 0.0
    while t < seconds:
        kind = rng.choice(["level", "roll", "loop", "steep", "slow roll"])
        d = {"level": 4, "roll": 2.2, "loop": 4.2, "steep": 7, "slow roll": 4.5}[kind]
        s = rng.choice([-1, 1])
        plan.append((t, kind, s))
        t += d
    starts = [p[0] for p in plan]

    def course(t):
        _, kind, s = plan[np.searchsorted(starts, t, "right") - 1]
        if kind == "level":
            return 0.0, 0.03, None, None
        if kind == "steep":
            return 1.0 * s, 0.08, None, None
        if kind == "roll":
            return None, None, 3.0 * s, 0.05
        if kind == "slow roll":
            return None, None, 1.4 * s, 0.05
        return None, None, 0.0, 1.6
    return course


def multirotor(rng, seconds):
    m, J = 1.6, np.array([0.02, 0.02, 0.04])
    wind, air = np.append(rng.normal(0, 2, 2), 0), gusts(rng, seconds, 0.4)
    knots = np.arange(0, seconds + 8, 4.0)
    wanted = CubicSpline(knots, np.c_[rng.uniform(-0.45, 0.45, len(knots)), rng.uniform(-0.45, 0.45, len(knots)),
                                      np.cumsum(rng.uniform(-0.9, 0.9, len(knots))), rng.uniform(-2, 2, len(knots))])

    def fm(t, p, v, q, w):
        R = rotation(q).as_matrix()
        roll, pitch, yaw = angles(q)
        wr, wp, wy, climb = wanted(t)
        va = v - R.T @ (wind + air(t))
        up = -(R @ v)[2]
        T = m * (9.80665 + 1.5 * (climb - up)) / max(0.5, R[2, 2])
        F = np.array([0, 0, -T]) - 0.35 * m * va * np.array([1, 1, 0.4])
        dy = (wy - yaw + np.pi) % (2 * np.pi) - np.pi
        M = J * np.array([60 * (wr - roll) - 14 * w[0], 60 * (wp - pitch) - 14 * w[1], 8 * dy - 6 * w[2]])
        return F, M

    q0 = Rotation.from_euler("ZYX", [0.3, 0, 0]).as_quat()
    return body(fm, m, J, np.concatenate([[0, 0, -40], [0, 0, 0], [q0[3], q0[0], q0[1], q0[2]], [0, 0, 0]]), seconds)


def from_path(t, position, euler):
    """Motion from position (n, e, d) and yaw, pitch, roll as smooth functions of time, by central differences."""
    h = 1e-3
    R = lambda a: Rotation.from_euler("ZYX", euler(a)).as_matrix()
    out = dict(t=t, p=position(t), v=[], q=[], w=[], f=[])
    for a in t:
        r = R(a)
        out["v"].append(r.T @ ((position(a + h) - position(a - h)) / (2 * h)))
        acc = (position(a + h) - 2 * position(a) + position(a - h)) / h**2
        out["f"].append(r.T @ (acc - G))
        out["w"].append((Rotation.from_matrix(R(a - h)).inv() * Rotation.from_matrix(R(a + h))).as_rotvec() / (2 * h))
        q = Rotation.from_matrix(r).as_quat()
        out["q"].append([q[3], q[0], q[1], q[2]])
    return {k: np.asarray(x) for k, x in out.items()}


def ground(rng, seconds):
    knots = np.arange(0, seconds + 12, 4.0)
    speed = CubicSpline(knots, np.clip(rng.uniform(-3, 17, len(knots)), 0.5, 17) * (knots > 3))
    bend = CubicSpline(knots, rng.uniform(-0.045, 0.045, len(knots)) * (knots > 3))
    fine = np.arange(-0.1, seconds + 1, 0.01)
    u = np.maximum(speed(fine), 0)
    u = np.convolve(u, np.ones(41) / 41, "same")
    yaw = np.cumsum(u * bend(fine)) * 0.01 + rng.uniform(-3, 3)
    n, e = np.cumsum(u * np.cos(yaw)) * 0.01, np.cumsum(u * np.sin(yaw)) * 0.01
    along = np.cumsum(u) * 0.01
    bumps = sum(a * np.sin(2 * np.pi * along / l + ph) for a, l, ph in
                zip(0.01 * rng.random(6), rng.uniform(3, 25, 6), rng.uniform(0, 6, 6)))
    hills = 1.5 * np.sin(along / 40)
    slope = 1.5 / 40 * np.cos(along / 40)
    roll = -0.008 * u * u * bend(fine) * 0.6 + 0.01 * np.sin(along / 7)
    P = CubicSpline(fine, np.c_[n, e, bumps - hills])
    E = CubicSpline(fine, np.c_[yaw, slope - 0.006 * np.gradient(u, 0.01), roll])
    m = from_path(np.arange(0, seconds, 0.01), P, E)
    m["on_ground"] = True
    return m


def hand(rng, seconds):
    knots = np.arange(0, seconds + 8, 1.6)
    most = np.array([1.0, 0.8, 0.8])
    a = rng.uniform(-1, 1, (len(knots), 3)) * most
    a[rng.random(len(knots)) < 0.3] = 0
    E = CubicSpline(knots, a)
    P = CubicSpline(knots, rng.normal(0, 0.05, (len(knots), 3)))
    m = from_path(np.arange(0, seconds, 0.01), P, E)
    m.pop("p"), m.pop("v")
    return m


def turn(rng, seconds):
    """A coordinated level turn: tan(bank) = V yaw' / g; closed form."""
    V, bank = 25.0, rng.choice([-1, 1]) * rng.uniform(0.5, 1.0)
    rate = 9.80665 * np.tan(bank) / V
    P = lambda t: np.stack([V / rate * np.sin(rate * t), -V / rate * np.cos(rate * t), -100 + 0 * t], -1)
    E = lambda t: np.stack([rate * t, 0 * t, bank + 0 * t], -1)
    return from_path(np.arange(0, seconds, 0.01), P, E)


def loop(rng, seconds):
    """Loops of constant speed in the plane of north and down; closed form. The attitude follows the path."""
    V, r = 30.0, 40.0
    k = V / r
    t = np.arange(0, seconds, 0.01)
    th = k * t
    q = np.c_[np.cos(th / 2), 0 * th, np.sin(th / 2), 0 * th]
    p = np.c_[r * np.sin(th), 0 * th, -100 - r * (1 - np.cos(th))]
    v, w = np.c_[V + 0 * th, 0 * th, 0 * th], np.c_[0 * th, k + 0 * th, 0 * th]
    f = np.c_[9.80665 * np.sin(th), 0 * th, -V * V / r - 9.80665 * np.cos(th)]
    return dict(t=t, p=p, v=v, q=q, w=w, f=f)


def spin(rng, seconds):
    """A steady spin about the vertical, nose down 50 deg, sinking; closed form in yaw, pitch, roll."""
    s, rate, sink, r = rng.choice([-1, 1]), 2.2, 12.0, 2.0
    P = lambda t: np.stack([r * np.cos(s * rate * t), r * np.sin(s * rate * t), -600 + sink * t], -1)
    E = lambda t: np.stack([s * rate * t, -0.87 + 0 * t, 0.1 * s + 0 * t], -1)
    return from_path(np.arange(0, seconds, 0.01), P, E)


def model(kind, rng, s):
    if kind in ("gentle", "radio"):
        return aeroplane(rng, s, bank_course(rng, s, 0.5))
    if kind == "gusty":
        return aeroplane(rng, s, bank_course(rng, s, 0.6), gust=1.8)
    if kind == "aerobatic":
        return aeroplane(rng, s, aerobatic_course(rng, s))
    if kind == "glider":
        return aeroplane(rng, s, bank_course(rng, s, 0.7, (8, 16)), glider=True)
    return dict(multirotor=multirotor, ground=ground, hand=hand, turn=turn, loop=loop, spin=spin,
                handslow=hand, multiradio=multirotor)[kind](rng, s)


# rates of attitude with angular velocity, specific force, velocity with position, air; noise of angle, rate, force, velocity, position
RATES = dict(radio=(3, 3, 2, 2), multiradio=(4, 2, 3, 2), handslow=(3, 3, 0, 0), glider=(10, 10, 5, 5), gentle=(25, 25, 25, 25), gusty=(50, 50, 10, 10),
             aerobatic=(50, 50, 25, 25), multirotor=(50, 50, 10, 0), ground=(50, 50, 50, 0), hand=(50, 50, 0, 0),
             turn=(20, 20, 20, 0), loop=(50, 50, 50, 0), spin=(50, 50, 50, 0))
NOISE = dict(angle=0.0035, rate=0.01, force=0.2, velocity=0.1, position=0.3)
HEADER = ["source_time_ns", "observed_at_ns", "position_n_m", "position_e_m", "position_d_m", "velocity_n_m_s", "velocity_e_m_s", "velocity_d_m_s",
          "attitude_w", "attitude_x", "attitude_y", "attitude_z", "angular_velocity_p_rad_s", "angular_velocity_q_rad_s",
          "angular_velocity_r_rad_s", "specific_force_x_m_s2", "specific_force_y_m_s2", "specific_force_z_m_s2", "airspeed_m_s",
          "angle_of_attack_rad", "sideslip_rad", "on_ground"]


def table(kind, seed, seconds, clean):
    rng = np.random.default_rng(seed)
    m = model(kind, rng, seconds)
    n = {k: (0 if clean else x) for k, x in NOISE.items()}
    if kind in ("turn", "loop", "spin"):
        n = {k: x / 10 for k, x in n.items()}
    rates = RATES[kind]
    rows = {}
    R = rotation_array(m["q"])
    offset = [0, rng.uniform(0, 0.1), rng.uniform(0, 0.1), rng.uniform(0, 0.1)]
    for group, rate in enumerate(rates):
        if rate == 0:
            continue
        if group == 3 and "air" not in m or group == 2 and "v" not in m:
            continue
        shift = offset[group] if rate != rates[0] else 0
        for k in range(int((seconds - shift) * rate)):
            i = int(round((shift + k / rate) * 100))
            if i >= len(m["t"]):
                break
            row = rows.setdefault(i, {})
            if group == 0:
                q = (rotation(m["q"][i]) * Rotation.from_rotvec(rng.normal(0, n["angle"], 3))).as_quat()
                row.update(zip(HEADER[8:12], np.round([q[3], q[0], q[1], q[2]], 5)))
                row.update(zip(HEADER[12:15], np.round(m["w"][i] + rng.normal(0, n["rate"], 3), 4)))
            if group == 1:
                row.update(zip(HEADER[15:18], np.round(m["f"][i] + rng.normal(0, n["force"], 3), 3)))
            if group == 2:
                row.update(zip(HEADER[5:8], np.round(R[i] @ m["v"][i] + rng.normal(0, n["velocity"], 3), 3)))
                row.update(zip(HEADER[2:5], np.round(m["p"][i] + rng.normal(0, n["position"], 3), 2)))
            if group == 3:
                row.update(zip(HEADER[18:21], np.round(m["air"][i] + rng.normal(0, 1, 3) * [n["velocity"], 0.005, 0.005], 4)))
            if m.get("on_ground"):
                row["on_ground"] = 1
    arrival = 1_700_000_000_000_000_000
    last = 0
    for i in sorted(rows):
        late = rng.exponential(0.002) if rates[0] >= 10 else min(0.9, rng.exponential(0.15))
        last = max(last, arrival + int((m["t"][i] + late) * 1e9))
        yield dict(rows[i], source_time_ns=int(i) * 10_000_000, observed_at_ns=last)


def main():
    if sys.argv[1] == "--list":
        print("\n".join(RATES))
        return
    kind, seed, seconds = sys.argv[1], int(sys.argv[2]), float(sys.argv[3])
    out = csv.DictWriter(sys.stdout, HEADER)
    out.writeheader()
    for row in table(kind, seed, seconds, "--clean" in sys.argv):
        out.writerow({k: (f"{float(v):.10g}" if not isinstance(v, int) else v) for k, v in row.items()})


if __name__ == "__main__":
    main()
