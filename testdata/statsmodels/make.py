#!/usr/bin/python3
"""Make the reference outputs of a Kalman filter and smoother in this folder.

Debian 12: apt-get install python3-statsmodels, then /usr/bin/python3 make.py.
Made with statsmodels 0.13.5, numpy 1.24.2. The tests read the JSON only.

local_level.json      the Nile series, local level model with the variances of
                      Durbin and Koopman (2012, section 2.2; from memory) and P1 = 1e7
time_varying.json     8 states, 3 series, all matrices change at every step, a
                      quarter of the readings missing
semidefinite.json     the same shape with known and constant states, noise of
                      rank 2 and two series without error: singular covariances
"""
import csv
import json
import pathlib

import numpy as np
from statsmodels.tsa.statespace.kalman_smoother import KalmanSmoother

HERE = pathlib.Path(__file__).resolve().parent


def run(y, F, Q, H, R, x1, P1, keep):
    """y: T by p with nan; F, Q: T by n by n; H: T by p by n; R: T by p."""
    T, p = y.shape
    n = len(x1)
    ks = KalmanSmoother(k_endog=p, k_states=n, k_posdef=n)
    ks.bind(np.asfortranarray(y.T))
    ks["design"] = np.asfortranarray(np.moveaxis(H, 0, -1))
    ks["transition"] = np.asfortranarray(np.moveaxis(F, 0, -1))
    ks["state_cov"] = np.asfortranarray(np.moveaxis(Q, 0, -1))
    ks["selection"] = np.eye(n)
    ks["obs_cov"] = np.asfortranarray(np.stack([np.diag(r) for r in R], axis=-1))
    ks.initialize_known(np.array(x1, float), np.array(P1, float))
    ks.tolerance = 0  # never assume a steady state
    ks.set_filter_method(filter_univariate=keep["univariate"])
    res = ks.smooth()
    var = lambda c: np.diagonal(c, axis1=0, axis2=1).tolist()
    return {
        "loglik": float(np.sum(res.llf_obs)),
        "loglik_step": res.llf_obs.tolist(),
        "filtered_mean": res.filtered_state.T.tolist(),
        "filtered_variance": var(res.filtered_state_cov),
        "smoothed_mean": res.smoothed_state.T.tolist(),
        "smoothed_variance": var(res.smoothed_state_cov),
        "smoothed_covariance_first": res.smoothed_state_cov[:, :, 0].tolist(),
    }


def model(y, F, Q, H, R, x1, P1):
    return {
        "y": [[None if np.isnan(v) else v for v in row] for row in y.tolist()],
        "transition": F.tolist(), "noise": Q.tolist(), "design": H.tolist(),
        "observation_variance": R.tolist(), "mean": list(map(float, x1)),
        "covariance": np.asarray(P1, float).tolist(),
    }


def write(name, given, result):
    (HERE / name).write_text(json.dumps({"model": given, "result": result}) + "\n")


with open(HERE.parent / "nile" / "nile.csv") as f:
    nile = np.array([[float(r["volume"])] for r in csv.DictReader(f)])
T = len(nile)
ones = np.ones((T, 1, 1))
args = (nile, ones, 1469.1 * ones, ones, 15099.0 * ones[:, :, 0], [0.0], [[1e7]])
write("local_level.json", {}, run(*args, {"univariate": False}))

rng = np.random.default_rng(20240501)
T, n, p = 40, 8, 3
whole = lambda lo, hi, *shape: rng.integers(lo, hi + 1, shape).astype(float)
F = 0.9 * np.eye(n) + whole(-20, 20, T, n, n) / 100 * (whole(0, 2, T, n, n) == 0)
B = whole(-9, 9, T, n, n) / 10
Q = B @ np.swapaxes(B, 1, 2)
H = whole(-9, 9, T, p, n) / 4
R = whole(1, 40, T, p) / 8
C = whole(-9, 9, n, n) / 4
P1 = C @ C.T
x1 = whole(-9, 9, n)
missing = rng.random((T, p)) < 0.25
missing[7] = True


def simulate(F, B, H, R, C):
    x = x1 + C @ rng.standard_normal(n)
    y = np.empty((T, p))
    for t in range(T):
        y[t] = H[t] @ x + np.sqrt(R[t]) * rng.standard_normal(p)
        x = F[t] @ x + B[t] @ rng.standard_normal(B.shape[2])
    y[missing] = np.nan
    return y


y = simulate(F, B, H, R, C)
args = (y, F, Q, H, R, x1, P1)
write("time_varying.json", model(*args), run(*args, {"univariate": False}))

# Components 0 and 1 are constants, 1 is known; noise drives 2..7 in two
# directions; series 0 and 1 are read without error.
F2 = F.copy()
F2[:, :2, :] = np.eye(n)[:2]
B2 = whole(-9, 9, T, n, 2) / 10
B2[:, :2, :] = 0
Q2 = B2 @ np.swapaxes(B2, 1, 2)
C2 = C.copy()
C2[1, :] = 0
P2 = C2 @ C2.T
H2 = H.copy()
H2[:, :2, :] = 0
for t in range(T):
    H2[t, 0, 2 + t % 6] = 1
    H2[t, 1, 2 + (t + 1) % 6] = 2
R2 = R.copy()
R2[:, :2] = 0
y2 = simulate(F2, B2, H2, R2, C2)
args = (y2, F2, Q2, H2, R2, x1, P2)
write("semidefinite.json", model(*args), run(*args, {"univariate": True}))
