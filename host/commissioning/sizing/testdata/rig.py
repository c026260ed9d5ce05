"""Reference numbers for package sizing, from geometry and mechanics alone: rods of constant length, solved by root finding;
slopes by central differences; loads by virtual work. Prints JSON; angles in deg unless a name says otherwise."""
import itertools
import json
import numpy as np
from scipy.optimize import brentq, minimize_scalar

g = 9.80665
rad, deg = np.radians, np.degrees


# --- the worked rig of one axis, closed formulas ---------------------------------------------------------------------
def rig():
    m, h, i, theta, alpha, v, jerk = 100, 0.25, 12, rad(10), rad(300), rad(40), rad(5000)
    hold, push = m * g * h * np.sin(theta), i * alpha
    # the stop: integrate the S-curve step by step, with the largest deceleration from which it can still be let go
    dt, x, speed, a = 1e-6, 0.0, v, 0.0
    n = 0
    while speed > 0:
        release = a * a / (2 * jerk)  # speed that goes while the deceleration is let go
        a = min(a + jerk * dt, alpha) if speed > release else a - jerk * dt
        if a <= 0 and n > 10:
            break
        x, speed, n = x + speed * dt, speed - a * dt, n + 1
    growth = np.sqrt(i / (m * g * h))
    # fall from 2 deg to 15 deg, linear in the angle: integrate
    th, w, t = rad(2), 0.0, 0.0
    while th < rad(15):
        w += th / growth**2 * 1e-6
        th += w * 1e-6
        t += 1e-6
    return dict(hold=hold, push=push, total=hold + push, fall=hold / i, growth=growth, stop=deg(x), stop_time=n * dt,
                fall_time=t, fall_speed=deg(w), kinetic=i * v * v / 2,
                potential=m * g * h * (1 - np.cos(rad(15))))


# --- dead centre of the planar loop ----------------------------------------------------------------------------------
def dead(length, r=0.10, big=0.40):
    """The crank angle at which the seat turns back: the first maximum of theta(phi)."""
    def theta(phi):
        p = np.array([big - r + r * np.cos(phi), -length + r * np.sin(phi)])
        k = (big**2 + p @ p - length**2) / (2 * big)
        b, d = np.arctan2(p[1], p[0]), np.arccos(k / np.linalg.norm(p))
        return min((b + d, b - d), key=lambda x: abs(x))
    best = minimize_scalar(lambda x: -theta(x), bounds=(rad(40), rad(95)), method="bounded", options=dict(xatol=1e-12))
    return [length, deg(best.x), deg(theta(best.x))]


# --- two cranks, roll and pitch together -----------------------------------------------------------------------------
S = dict(back=0.40, half=0.30, drop=0.60, radius=0.10, rod=np.sqrt(0.37))
L = dict(m=110.0, h=0.27, x=0.05, i=14.0)
MOVE = dict(v=rad([40, 30]), a=rad([300, 200]))
BOX = rad([[-6, 5], [-4, 6]])  # roll, pitch
DRIVE = dict(n=12.0, eta=0.85, rotor=3e-4, steps=3200)


def turn(roll, pitch):
    cr, sr, cp, sp = np.cos(roll), np.sin(roll), np.cos(pitch), np.sin(pitch)
    return np.array([[cp, 0, sp], [0, 1, 0], [-sp, 0, cp]]) @ np.array([[1, 0, 0], [0, cr, -sr], [0, sr, cr]])


def cranks(q):
    out = []
    for side in (-1, 1):
        ball = turn(*q) @ np.array([-S["back"], side * S["half"], 0])
        centre = np.array([-S["back"], side * S["half"], S["drop"]])
        gap = lambda f: np.linalg.norm(ball - centre - S["radius"] * np.array([np.cos(f), 0, -np.sin(f)])) - S["rod"]
        out.append(brentq(gap, rad(-85), rad(85), xtol=1e-14))
    return np.array(out)


def slopes(f, q, step=1e-5):
    return np.array([(f(q + e) - f(q - e)) / (2 * step) for e in np.eye(2) * step]).T


def centre(q):
    return turn(*q) @ np.array([L["x"], 0, -L["h"]])


def potential(q):
    return -L["m"] * g * centre(q)[2]


def mass(q):
    jc = slopes(centre, q)
    spin = []
    for e in np.eye(2) * 1e-5:
        w = (turn(*(q + e)) - turn(*(q - e))) / 2e-5 @ turn(*q).T
        spin.append([w[2, 1], w[0, 2], w[1, 0]])
    spin = np.array(spin).T
    central = L["i"] - L["m"] * (L["h"]**2 + L["x"]**2)
    return L["m"] * jc.T @ jc + central * spin.T @ spin


def spatial():
    table, force, motor, speed, quick, still = [], 0, 0, 0, 0, 0
    # the grid of the package: nine values an axis
    for q in itertools.product(*(np.linspace(*b, 9) for b in BOX)):
        q = np.array(q)
        j, m = slopes(cranks, q), mass(q)
        hold = slopes(lambda x: np.array([potential(x)]), q)[0]
        t0 = np.linalg.solve(j.T, hold)
        still = max(still, np.abs(t0).max())
        for s in itertools.product((-1, 1), repeat=2):
            a = MOVE["a"] * s
            t = np.linalg.solve(j.T, m @ a + hold)
            need = np.abs(t) / (DRIVE["n"] * DRIVE["eta"]) + DRIVE["rotor"] * DRIVE["n"] * np.abs(j @ a)
            if need.max() > motor:
                motor, force = need.max(), np.abs(t)[need.argmax()]
            speed = max(speed, np.abs(j @ (MOVE["v"] * s)).max())
            quick = max(quick, np.abs(j @ a).max())
            if all(min(abs(x - b)) < 1e-9 for x, b in zip(q, BOX)):
                table.append([*deg(q), *s, *t])
    # one axis at a time, the other level and at rest
    alone = 0
    for k in range(2):
        for end in BOX[k]:
            q = np.zeros(2)
            q[k] = end
            for s in (-1, 1):
                a = np.zeros(2)
                a[k] = s * MOVE["a"][k]
                t = np.linalg.solve(slopes(cranks, q).T, mass(q) @ a + slopes(lambda x: np.array([potential(x)]), q)[0])
                alone = max(alone, np.abs(t).max())
    return dict(corners=table, still=still, force=force, motor=motor, speed=deg(speed), quick=deg(quick), alone=alone,
                steps=speed * DRIVE["n"] / (2 * np.pi) * DRIVE["steps"])


print(json.dumps(dict(rig=rig(), dead=[dead(x) for x in (0.30, 0.40, 0.60)], spatial=spatial()), indent=1))
