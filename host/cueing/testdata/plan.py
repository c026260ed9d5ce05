"""The plan of the mode Predictive for roll, as its definition in horizon.go says, by other means: responses by scipy.signal, the
quadratic programme by least-distance programming on scipy.optimize.nnls (Lawson & Hanson, Solving Least Squares Problems, 1974,
ch. 23), which ends at the exact solution. Prints the acceleration at the first knot for several beginnings."""
import json

import numpy as np
from scipy import linalg, optimize, signal

dt, head, g, travel, fastest, hardest, jerk = 0.002, 0.8, 9.80665, *np.deg2rad([12, 40, 300, 5000])
spacing = [1] * 2 + [2] * 4 + [4] * 4 + [8] * 5 + [16] * 5 + [40] * 6
at = np.cumsum(spacing) * 5  # ticks
tick = np.arange(1, at[-1] + 1)
nodes = np.array([2, 4, 6, 10, 16, 26, 40, 64])


def model(num, den, threshold):
    b, a = signal.bilinear(num, den, fs=1 / dt)
    return b / threshold, a


canals = model([458.4, 0, 0], np.convolve([80, 1], [5.73, 1]), np.deg2rad(2.04))
otoliths = model([4, 0.4], np.convolve([5, 1], [0.016, 1]), 0.057)


def responses(knots, s):
    """What is felt (sampled every 10 ms), and what is bounded, of a plan and its beginning."""
    x0, v0, a0, canal, otolith, force, rate = s[0], s[1], s[2], s[3:5], s[5:7], s[7:16], s[16:25]
    a = np.interp(tick, [0, *at], [a0, *knots])
    v = v0 + np.cumsum(a) * dt
    x = x0 + np.cumsum(v) * dt
    future = lambda c: np.interp((tick - 1) * dt / 0.04, [0, *nodes, 2 * nodes[-1]], [*c, 0])
    e, _ = signal.lfilter(*canals, v - future(rate), zi=canal)
    f, _ = signal.lfilter(*otoliths, g * x - head * a - future(force), zi=otolith)
    felt = np.concatenate([e[4::5], f[4::5], [200 * v[-1]]])
    jerks = np.diff([a0, *knots[:10]]) / (np.diff([0, *at[:10]]) * dt)
    return felt, np.concatenate([x[at - 1] / travel, v[at[:10] - 1] / fastest, knots[:10] / hardest, jerks / jerk])


n = len(at)
most = np.repeat([0.995, 0.88], [n + 10, 20])
columns = [responses(row, np.zeros(25)) for row in np.eye(n)]
B, A = (np.stack(c, 1) for c in zip(*columns))


def plan(s):
    felt, bounded = responses(np.zeros(n), s)
    # min |B k + felt| with |A k + bounded| <= most, as: min |y| with G y >= h
    Q, R = linalg.qr(B, mode="economic")
    c = Q.T @ felt  # y = R k + c
    inverse = linalg.solve_triangular(R, np.eye(n))
    AR = A @ inverse
    G = np.vstack([AR, -AR])
    h = np.concatenate([-most - bounded + AR @ c, -most + bounded - AR @ c])
    E, e = np.vstack([G.T, h]), np.zeros(n + 1)
    e[-1] = 1
    u, _ = optimize.nnls(E, e, maxiter=20000)
    r = E @ u - e
    y = -r[:n] / r[n]
    k = inverse @ (y - c)
    limited = A @ k + bounded
    return dict(begin=list(s), first=k[0], limited=int((np.abs(limited) > most - 1e-4).sum()))


rng = np.random.default_rng(5)
beginnings = [np.zeros(25) for _ in range(6)]
beginnings[0][7:16] = 1.0  # a force that lasts, within the travel
beginnings[1][7:16] = 4.0  # and one beyond
beginnings[2][16:20] = 2.0  # turning that is over soon, faster than the seat can
beginnings[3][:3] = 0.19, 0.3, -2  # near the end of the travel, still moving there
beginnings[3][7:16] = 3.0
beginnings[4][:1], beginnings[4][7:16], beginnings[4][5:7] = 0.2075, 2.02, 0  # as far as it goes
beginnings[5][7:16] = 0.02
for _ in range(8):
    s = rng.normal(0, 1, 25) * np.array([0.05, 0.1, 1, 2, 2, 5, 5, *[1] * 9, *[0.3] * 9])
    s *= rng.choice([0.01, 0.03, 1])
    s[8:16], s[17:25] = s[7] * 0.8 ** np.arange(8), s[16] * 0.5 ** np.arange(8)
    beginnings.append(s)
print(json.dumps([plan(s) for s in beginnings]))
