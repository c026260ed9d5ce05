"""The continuous systems that the filters stand for, apart from the Go code: every number of the tests, as JSON.

Steps and pulses: scipy.integrate.solve_ivp of the transfer functions, not a discretisation. Coefficients:
scipy.signal.bilinear. Frequency response: scipy.signal.freqs. Attitudes: scipy Rotation, intrinsic z-y-x.
Angles in deg, accelerations in m/s2, lengths in m; g = 9.80665 m/s2 (ISO 80000-3).
"""
import json

import numpy as np
from scipy.integrate import solve_ivp
from scipy.optimize import minimize_scalar
from scipy.signal import bilinear, freqs, lti
from scipy.spatial.transform import Rotation

G = 9.80665
TIMES = [0.5, 1, 1.5, 2, 3, 5, 8, 12]


def hp1(w): return [1, 0], [1, w]
def hp2(w, z): return [1, 0, 0], [1, 2 * z * w, w * w]
def lp2(w, z): return [w * w], [1, 2 * z * w, w * w]
def band(w): return [1, 0], [1, 2 * w, w * w]


def response(ba, u, times, breaks=()):
    """Output at times, of an input that is smooth between the breaks."""
    s = lti(*ba).to_ss()
    x, out, edges = np.zeros(s.A.shape[0]), {}, [0, *breaks, max(times)]
    for low, high in zip(edges, edges[1:]):
        held = lambda t: u(min(max(t, low + 1e-12), high - 1e-12))
        r = solve_ivp(lambda t, x: s.A @ x + s.B[:, 0] * held(t), (low, high), x, method="DOP853",
                      rtol=1e-12, atol=1e-14, dense_output=True)
        x = r.y[:, -1]
        out.update({t: float((s.C @ r.sol(t))[0] + s.D[0, 0] * held(t)) for t in times if low < t <= high})
    return [out[t] for t in times]


def lean(force): return np.degrees(np.arcsin(0.6 * np.array(force) / G))


def slewed(target, most, times, step=1e-4):
    """A rate limit worked out on a grid far finer than the loop's."""
    out = [0.0]
    for y in target[1:]:
        out.append(out[-1] + min(max(y - out[-1], -most * step), most * step))
    return list(np.interp(times, np.arange(len(out)) * step, out))


out = {}
out["coefficients"] = []
for kind, (w, z), ba, rate in [
    ("highPass2", (2.5, 1), hp2(2.5, 1), 100), ("highPass2", (2.5, 1), hp2(2.5, 1), 500),
    ("highPass2", (1, 0.5 ** 0.5), hp2(1, 0.5 ** 0.5), 100), ("lowPass2", (5, 1), lp2(5, 1), 100),
    ("lowPass2", (5, 1), lp2(5, 1), 500), ("highPass1", (0.5, 0), hp1(0.5), 100), ("band", (0.5, 0), band(0.5), 500),
]:
    b, a = bilinear(*ba, rate)
    pad = lambda v: [float(x) for x in v] + [0.0] * (3 - len(v))
    out["coefficients"].append({"filter": kind, "corner": w, "damping": z, "step": 1 / rate, "b": pad(b), "a": pad(a)})

pulse = lambda t: 10.0 * (t < 1)
doublet = lambda t: 10.0 * (t < 1) - 10.0 * (1 <= t < 2)
half = lambda v: [0.5 * x for x in v]
out["times"] = TIMES
out["rate_pulse"] = half(response(band(0.5), pulse, TIMES, (1,)))
out["rate_doublet"] = half(response(band(0.5), doublet, TIMES, (1, 2)))
out["rate_step"] = half(response(band(0.5), lambda t: 10.0, TIMES))
out["force_step"] = list(lean(response(lp2(2, 1), lambda t: 2.0, TIMES)))
out["force_pulse"] = list(lean(response(lp2(2, 1), lambda t: 2.0 * (t < 2), TIMES, (2,))))
grid = np.linspace(0, 12, 120001)
step = 2 * (1 - (1 + 2 * grid) * np.exp(-2 * grid))  # lp2(2, 1) on a step of 2
out["force_step_limited"] = slewed(lean(step), 3, TIMES)
late = np.where(grid > 2, 2 * (1 - (1 + 2 * (grid - 2)) * np.exp(-2 * (grid - 2))), 0)
out["force_pulse_limited"] = slewed(lean(step - late), 3, TIMES)

out["push_times"] = [0.2, 0.4, 0.8, 1.2, 2, 3]
place = (np.array([1.0, 0]), np.polymul([1, 0.25], np.polymul([1, 2.5], [1, 2.5])))
out["push"] = response(place, lambda t: 2.0, out["push_times"])

out["frequency"] = []  # rad/s; gain and phase of 0.5 s2/(s+0.5)2, of 0.6 lp2(2, 1)
for k in range(12):
    w = 0.1 * 10 ** (k / 5)
    row = [w]
    for gain, ba in ((0.5, hp2(0.5, 1)), (0.6, lp2(2, 1))):
        h = gain * freqs(*ba, [w])[1][0]
        row += [float(abs(h)), float(np.degrees(np.angle(h)))]
    out["frequency"].append(row)

out["follow"] = []  # quaternion w, x, y, z; pitch and roll shown of 12 deg
for yaw, pitch, roll in [*[(40, p, 0) for p in (0, 30, 60, 89, 90)], (220, 60, 180), (180, 0, 180), (0, -90, 0),
                         *[(-75, 0, r) for r in (30, 60, 90, 120, 180, 270, 330)],
                         *[(10, 20, r) for r in (0, 45, 90, 135, 180, 270)]]:
    q = Rotation.from_euler("ZYX", [yaw, pitch, roll], degrees=True)
    up = q.inv().apply([0, 0, -1])
    x, y, z, w = q.as_quat()
    out["follow"].append([float(v) for v in (w, x, y, z, 12 * up[0], -12 * up[1])])

out["lean"] = [[float(a), float(np.degrees(np.arcsin(a / G)))] for a in (0.5, 1, 1.5, 2, 3)]

peak = minimize_scalar(lambda t: -t * np.exp(-0.5 * t) * 5, bounds=(0, 10), method="bounded", options={"xatol": 1e-10})
out["rate_step_peak"] = [float(peak.x), float(-peak.fun)]
print(json.dumps(out, indent=1))
