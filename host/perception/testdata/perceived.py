"""Perceived motion, its error, false cues and the floor by scipy.signal and scipy.optimize, for an invented motion of 44 s.
Written from the definition in the package's comment; prints one JSON value."""
import json

import numpy as np
from scipy import optimize, signal

G, fs, head = 9.80665, 50.0, 0.8
limit = [np.deg2rad(2.04), np.deg2rad(2.07), 0.063, 0.057]
canals = signal.TransferFunction([458.4, 0, 0], np.convolve([80, 1], [5.73, 1]))
otoliths = signal.TransferFunction(0.4 * np.array([10, 1]), np.convolve([5, 1], [0.016, 1]))
models = [canals, canals, otoliths, otoliths]

t = np.arange(2200) / fs
vehicle = np.array([
    0.4 * np.sin(1.1 * t) * (t > 5) + 0.3 * (np.abs(t - 20) < 1.5),
    0.25 * np.sin(0.7 * t + 1) + 0.05 * np.sin(9 * t),
    1.5 * np.sin(0.3 * t + 0.5) + 2.0 * (t > 30),
    0.8 * np.cos(0.5 * t) + 0.3 * np.sin(12 * t),
])
roll, pitch = 0.12 * np.sin(0.9 * t + 0.3), 0.08 * np.cos(0.45 * t) + 0.05 * np.sin(2.5 * t)


def coefficients(m, rate):
    return signal.bilinear(m.num, m.den, fs=rate)


def feel(channels):
    out = []
    for k, x in enumerate(channels):
        b, a = coefficients(models[k], fs)
        state = signal.lfilter_zi(b, a) * x[0] if k > 1 else [0, 0]
        out.append(signal.lfilter(b, a, x, zi=state)[0] / limit[k])
    return np.array(out)


p, q = np.gradient(roll, 1 / fs), np.gradient(pitch, 1 / fs) * np.cos(roll)
seat = np.array([p, q, G * np.sin(pitch) - head * np.gradient(q, 1 / fs),
                 -G * np.sin(roll) * np.cos(pitch) + head * np.gradient(p, 1 / fs)])
v, s = feel(vehicle), feel(seat)
rms = lambda e: np.sqrt((e**2).sum(0).mean())
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
