"""Fits of the pose: rows give five of its eight degrees of freedom and the distortion, edges the other three."""

from __future__ import annotations

import numpy as np

from blurscope.target.pose import Pose
from blurscope.uncertainty import median

STILL_PX = 1e-4  # movement of the rows at which their fit ends


def fit_rows(
    x: np.ndarray, y: np.ndarray, v: np.ndarray, weight: np.ndarray, start: Pose, *, distortion: int
) -> tuple[Pose, np.ndarray, np.ndarray]:
    """Fit the second and third row of the pose's matrix and the distortion to located row boundaries.

    Parameters
    ----------
    x, y : (n,) float, campx
    v : (n,) float
        Plate rows.
    weight : (n,) float
    start : Pose
    distortion : int
        How many radial terms are free (0 to 2).

    Returns
    -------
    Pose, (n,) residuals in display px, (n,) bool kept
    """
    m = start.matrix / start.matrix[2, 2]
    p = np.array([m[1, 0], m[1, 1], m[1, 2], m[2, 0], m[2, 1], start.k1, start.k2])
    free = 5 + distortion
    xn, yn = (x - start.centre[0]) / start.radius, (y - start.centre[1]) / start.radius
    r2 = xn * xn + yn * yn

    def model(q: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return the rows and their derivatives by the parameters, (n, 7)."""
        f = 1 + r2 * (q[5] + q[6] * r2)
        a, b = xn * f, yn * f
        below = q[3] * a + q[4] * b + 1
        row = (q[0] * a + q[1] * b + q[2]) / below
        bent = r2 * (xn * (q[0] - row * q[3]) + yn * (q[1] - row * q[4]))
        return row, np.stack([a, b, np.ones_like(a), -a * row, -b * row, bent, r2 * bent], axis=1) / below[:, None]

    keep = np.ones(len(v), bool)
    row, jac = model(p)
    for _ in range(8):
        res = v - row
        middle = median(res[keep])
        spread = 1.4826 * median(np.abs(res[keep] - middle)) + 1e-3
        before, keep = keep, np.abs(res - middle) < max(4 * spread, 0.08)
        if keep.sum() < free + 3:
            break
        sw = np.sqrt(weight[keep] / (1 + ((res[keep] - middle) / (3 * spread)) ** 2))
        delta, *_ = np.linalg.lstsq(jac[keep, :free] * sw[:, None], res[keep] * sw, rcond=None)
        p[:free] += delta
        last, (row, jac) = row, model(p)
        if np.abs(row - last).max() < STILL_PX and (keep == before).all():
            break
    res = v - row
    matrix = np.array([m[0], [p[0], p[1], p[2]], [p[3], p[4], 1.0]])
    pose = Pose(matrix=matrix, k1=float(p[5]), k2=float(p[6]), centre=start.centre, radius=start.radius)
    return pose, res, keep


def square_columns(pose: Pose, mirrored: bool) -> Pose:
    """Set the first row of the matrix so that the map is conformal at the photo's centre (square pixels)."""
    m = pose.matrix
    w0 = m[2, 2]
    v0 = m[1, 2] / w0
    vx = (m[1, 0] - v0 * m[2, 0]) / w0
    vy = (m[1, 1] - v0 * m[2, 1]) / w0
    ux, uy = (-vy, vx) if mirrored else (vy, -vx)
    first = np.array([ux * w0, uy * w0, 0.0])
    return Pose(matrix=np.array([first, m[1], m[2]]), k1=pose.k1, k2=pose.k2, centre=pose.centre, radius=pose.radius)


EDGE_SD_PX = 0.05  # of one located edge
LAG_SD_PX = 2.0  # between transitions
SQUARE_SD = 0.004  # departure from equal scales and right angles at the photo's centre (perspective, lens)


def fit_columns(
    pose: Pose,
    x: np.ndarray,
    y: np.ndarray,
    u: np.ndarray,
    group: np.ndarray,
    weight: np.ndarray,
    mirrored: bool = False,
) -> tuple[Pose, np.ndarray, np.ndarray, float]:
    """Fit the first row of the matrix to located edges; each group (transition) has a lag of its own.

    Where few transitions are seen twice, lags and scale can't be told apart by the edges alone: square camera pixels
    and lags that differ by a few px at most are weak prior knowledge.

    Returns
    -------
    Pose, residuals in display px, kept, relative standard uncertainty of the scale along the motion
    """
    xn, yn = pose.normalise(x, y)
    m = pose.matrix / pose.matrix[2, 2]
    w = m[2, 0] * xn + m[2, 1] * yn + m[2, 2]
    groups, index = np.unique(group, return_inverse=True)
    n = 3 + len(groups)
    design = np.zeros((len(u), n))
    design[:, 0], design[:, 1], design[:, 2] = xn / w, yn / w, 1 / w
    design[np.arange(len(u)), 3 + index] = -1.0
    unit = float(np.sqrt(median(weight)))
    ties = np.zeros((3 + len(groups), n))
    ties[0, 3:] = np.sqrt(len(u))
    ties[1 : 1 + len(groups), 3:] = np.eye(len(groups)) * unit * EDGE_SD_PX / LAG_SD_PX
    vx, vy = m[1, 0] - m[1, 2] * m[2, 0], m[1, 1] - m[1, 2] * m[2, 1]
    ux, uy = (-vy, vx) if mirrored else (vy, -vx)
    strength = unit * EDGE_SD_PX / (SQUARE_SD * float(np.hypot(vx, vy)))
    ties[-2, :3] = strength * np.array([1.0, 0.0, -m[2, 0]])
    ties[-1, :3] = strength * np.array([0.0, 1.0, -m[2, 1]])
    goal = np.zeros(len(ties))
    goal[-2:] = strength * ux, strength * uy
    keep = np.ones(len(u), bool)
    scale = np.concatenate([np.linalg.norm(design[:, :3], axis=0), np.ones(len(groups))])
    for _ in range(6):
        ww = np.sqrt(weight * keep)
        a = np.vstack([design * ww[:, None], ties]) / scale
        b = np.concatenate([u * ww, goal])
        sol, *_ = np.linalg.lstsq(a, b, rcond=None)
        sol = sol / scale
        res = u - design @ sol
        spread = 1.4826 * median(np.abs(res[keep])) + 1e-3
        new = np.abs(res) < max(4 * spread, 0.1)
        if (new == keep).all() or new.sum() < min(8, len(u)):
            break
        keep = new
    matrix = np.array([sol[:3], m[1], m[2]])
    out = Pose(matrix=matrix, k1=pose.k1, k2=pose.k2, centre=pose.centre, radius=pose.radius)
    inverse = np.linalg.pinv(a.T @ a, hermitian=True)[0, 0] / scale[0] ** 2
    scale_rel = float(np.sqrt(inverse) * unit * EDGE_SD_PX / np.hypot(vx, vy))
    return out, res, keep, scale_rel
