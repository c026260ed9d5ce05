"""Prints what the tests expect, recomputed with numpy and scipy: one JSON object of rows by name

Run by the test under PERCH_TEST_SCIPY=1, or by hand: /usr/bin/python3 recompute.py
"""
import json

import numpy as np
from scipy.integrate import quad
from scipy.interpolate import BarycentricInterpolator, CubicHermiteSpline
from scipy.spatial.transform import Rotation, Slerp

G = 9.80665


def rotation(yaw, pitch, roll):
    return Rotation.from_euler("ZYX", [yaw, pitch, roll], degrees=True)


rows = {}


def show(name, *values):
    rows[name] = [round(float(v), 9) for v in np.ravel(values)]


for i, (a, b) in enumerate([((359, 0, 0), (1, 0, 0)), ((0, 0, 179), (0, 0, -178)), ((0, 89, 0), (180, 89, 180)),
                            ((10, 5, -3), (12, 8, 4))]):
    show("rate%d" % i, np.degrees((rotation(*a).inv() * rotation(*b)).as_rotvec()) / 0.1)
for i, (a, b, share) in enumerate([((350, 0, 0), (10, 0, 0), 0.5), ((10, 5, -3), (40, -20, 60), 0.25),
                                   ((10, 5, -3), (40, -20, 60), 0.5)]):
    ends = Rotation.from_quat([rotation(*a).as_quat(), rotation(*b).as_quat()])
    show("slerp%d" % i, Slerp([0, 1], ends)(share).as_euler("ZYX", degrees=True))
v, w = np.array([50, 1, 2.0]), np.array([0.1, 0.05, 0.2])
show("force", np.array([1, 0.5, -0.3]) + np.cross(w, v) - rotation(77, 5, 20).inv().apply([0, 0, G]))
for bank in (15, 30, 45, 60, 75):
    b = np.radians(bank)
    turn = G * np.tan(b) / 50
    show("turn%d" % bank, -G / np.cos(b), np.degrees(turn * np.sin(b)), np.degrees(turn * np.cos(b)))
for u in (0.01, 0.02, 0.05, 0.1, 0.125, 0.2):
    th = 2 * np.pi * u
    z, j = np.exp(1j * th), 1j * th
    rms = lambda x: np.sqrt(quad(lambda tau: abs(x(tau) - np.exp(j * tau)) ** 2, 0, 1)[0])
    hermite = CubicHermiteSpline([0, 1], [1, z], [j, j * z])  # value and slope at both ends
    show("rec%g" % u, np.sqrt(2 * (1 - np.sin(th) / th)), rms(lambda tau: 1 + tau * (1 - 1 / z)), rms(lambda tau: 1 + j * tau),
         rms(lambda tau: 1 + tau * (z - 1)), rms(BarycentricInterpolator([-1, 0, 1], [1 / z, 1, z])), rms(hermite),
         rms(lambda tau: hermite(tau, 1) / j))
print(json.dumps(rows))
