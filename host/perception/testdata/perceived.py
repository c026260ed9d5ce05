"""Perceived motion, its error, false cues and the floor by scipy.signal and scipy.optimize, for an invented motion of 44 s.
Written from the definition in the package's comment; prints one JSON value. With STATES.csv TRACE.csv it prints the error of
that trace's commanded motion."""
import csv
import json
import sys

import numpy as np
from scipy import optimize, signal

G, fs, head = 9.80665, 50.0, 0.8
limit = [np.deg2rad(2.04), np.deg2rad(2.07), 0.063, 0.057]
canals = signal.TransferFunction([458.4, 0, 0], np.convolve([80, 1], [5.73, 1]))
otoliths = signal.TransferFunction(0.4 * np.array([10, 1]), np.convolve([5, 1], [0.016, 1]))
models = [canals, canals, otoliths, otoliths]

def coefficients(m, rate):
    return signal.bilinear(m.num, m.den, fs=rate)


def feel(channels):
    out = []
    for k, x in enumerate(channels):
        b, a = coefficients(models[k], fs)
        state = signal.lfilter_zi(b, a) * x[0] if k > 1 else [0, 0]
        out.append(signal.lfilter(b, a, x, zi=state)[0] / limit[k])
    return np.array(out)


def seat_motion(roll, pitch):
    p, q = np.gradient(roll, 1 / fs), np.gradient(pitch, 1 / fs) * np.cos(roll)
    return np.array([p, q, G * np.sin(pitch) - head * np.gradient(q, 1 / fs),
                     -G * np.sin(roll) * np.cos(pitch) + head * np.gradient(p, 1 / fs)])


def rms(e):
    return np.sqrt((e**2).sum(0).mean())


def of_files(states, trace):
    rows, moved = list(csv.DictReader(open(states))), list(csv.DictReader(open(trace)))
    names = ["angular_velocity_p_rad_s", "angular_velocity_q_rad_s", "specific_force_x_m_s2", "specific_force_y_m_s2"]
    begin = int(rows[0]["source_time_ns"])
    lines = []
    for n in names:
        has = [r for r in rows if r[n]]
        lines.append(([(int(r["source_time_ns"]) - begin) * 1e-9 for r in has], [float(r[n]) for r in has]))
    for n in ("commanded_roll_rad", "commanded_pitch_rad"):
        lines.append(([float(r["t_s"]) for r in moved], [float(r[n]) for r in moved]))
    t = np.arange(max(x[0] for x, _ in lines), min(x[-1] for x, _ in lines), 1 / fs)
    on = [np.interp(t, *x) for x in lines]
    v, s = feel(on[:4]), feel(seat_motion(*on[4:]))
    return float(rms(v - s) / rms(v))


if len(sys.argv) == 3:
    print(json.dumps(of_files(*sys.argv[1:])))
    sys.exit()

t = np.arange(2200) / fs
vehicle = np.array([
    0.4 * np.sin(1.1 * t) * (t > 5) + 0.3 * (np.abs(t - 20) < 1.5),
    0.25 * np.sin(0.7 * t + 1) + 0.05 * np.sin(9 * t),
    1.5 * np.sin(0.3 * t + 0.5) + 2.0 * (t > 30),
    0.8 * np.cos(0.5 * t) + 0.3 * np.sin(12 * t),
])
roll, pitch = 0.12 * np.sin(0.9 * t + 0.3), 0.08 * np.cos(0.45 * t) + 0.05 * np.sin(2.5 * t)
v, s = feel(vehicle), feel(seat_motion(roll, pitch))
still = rms(v)
wrong = (np.abs(s) > 1) & (np.abs(s - v) > 1) & ((np.abs(v) <= 1) | (np.sign(v) != np.sign(s)))


def least(rate, force, sign, k_rate, k_force, bounds):
    """The least sum of squares of one window at 10 Hz, by the matrices of the linear system."""
    n, dt = len(rate), 0.1
    one = np.eye(n)
    b, a = coefficients(canals, 1 / dt)
    speed = np.vstack([one[:1], np.diff(one, axis=0)]) / dt
    A = signal.lfilter(b, a, speed, axis=0) / limit[k_rate]
    padded = np.vstack([np.zeros((1, n)), one, np.zeros((1, n))])
    b, a = coefficients(otoliths, 1 / dt)
    push = sign * (G * one - head * np.diff(padded, 2, axis=0) / dt**2)
    A = np.vstack([A, signal.lfilter(b, a, push, axis=0) / limit[k_force]])
    y = np.concatenate([rate, force])
    return 2 * optimize.lsq_linear(A, y, bounds, method="bvls", tol=1e-13, max_iter=4000).cost


slow, total, count = v[:, ::5], 0.0, 0
for start in range(0, slow.shape[1], 200):
    w = slow[:, start:start + 200]
    if w.shape[1] <= 50:
        break
    total += least(w[0], w[3], -1, 0, 3, (-0.10, 0.12)) + least(w[1], w[2], 1, 1, 2, (-0.15, 0.11))
    count += w.shape[1]
show = [0, 1, 7, 250, 1000, 1501, 2199]
print(json.dumps(dict(
    vehicle=v[:, show].tolist(), seat=s[:, show].tolist(), error=rms(v - s) / still, still=still,
    channels=[float(np.sqrt(((v[k] - s[k])**2).mean() / (v[k]**2).mean())) for k in range(4)],
    false=float(wrong.any(0).mean()), falses=wrong.mean(1).tolist(), floor=float(np.sqrt(total / count) / still))))
