"""Works out conversions of axes with SciPy, from where each axis points and nothing else.

Prints JSON. A left-handed attitude cannot be a SciPy rotation of itself; its matrix of components can, since
rows and columns belong to axes of one handedness.
"""
import itertools
import json

import numpy as np
from scipy.spatial.transform import Rotation

# Where the source's x, y, z point, in our axes.
WORDS = {
    "forward": (1, 0, 0), "right": (0, 1, 0), "down": (0, 0, 1), "back": (-1, 0, 0), "left": (0, -1, 0), "up": (0, 0, -1),
    "north": (1, 0, 0), "east": (0, 1, 0), "south": (-1, 0, 0), "west": (0, -1, 0),
}
BODY = ["forward-right-down", "forward-left-up", "right-up-forward", "right-up-back", "right-forward-up"]
EARTH = ["north-east-down", "north-west-up", "east-north-up", "east-up-north", "east-up-south"]


def basis(name):
    return np.array([WORDS[w] for w in name.split("-")], dtype=float).T


def wxyz(r):
    x, y, z, w = r.as_quat()
    return [w, x, y, z]


rng = np.random.default_rng(1)
euler = [(45.0001, 5.7296, 0), (30, 20, 10), (135, -35, 60), (-120, 75, -150), (10, 90, 0), (0, 0, 180), (135, 20, 30)]
euler += [tuple(a) for a in rng.uniform([-180, -90, -180], [180, 90, 180], (200, 3))]
out = {"Euler": [{"Angles": a, "Quaternion": wxyz(Rotation.from_euler("ZYX", a, degrees=True))} for a in euler]}

# Body rates by a central difference of rotations.
h = 1e-6
before, after = (Rotation.from_euler("ZYX", np.array([0, 20, 30]) + s * h / 2 * np.array([8, 5, 10]), degrees=True) for s in (-1, 1))
p, q, r = (before.inv() * after).as_rotvec() / h
out["Rates"] = {"Yaw": 8, "Pitch": 5, "Roll": 10, "P": p, "Q": q, "R": r}

out["Axes"] = []
for body, earth in itertools.product(BODY, EARTH):
    mb, me = basis(body), basis(earth)
    if np.linalg.det(mb) * np.linalg.det(me) < 0:
        continue
    for angles in euler[:12]:
        ours = Rotation.from_euler("ZYX", angles, degrees=True)
        source = Rotation.from_matrix(me.T @ ours.as_matrix() @ mb)
        vector, turn = rng.uniform(-5, 5, 3), rng.uniform(-1, 1, 3)
        # A turn is known by what it does to arrows: v' = w x v, in the source's components by its own hand, is the
        # skew matrix S(w) of the same algebra; carried over to our axes it is mb S(w) mb^T.
        s = mb @ np.array([[0, -turn[2], turn[1]], [turn[2], 0, -turn[0]], [-turn[1], turn[0], 0]]) @ mb.T
        out["Axes"].append({
            "Body": body, "Earth": earth, "Source": wxyz(source), "Ours": wxyz(ours),
            "Vector": list(vector), "VectorOurs": list(mb @ vector),
            "Turn": list(turn), "TurnOurs": [s[2, 1], s[0, 2], s[1, 0]],
        })
print(json.dumps(out))
