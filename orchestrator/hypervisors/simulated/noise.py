"""What chance adds to a trial: a factor for the trial as a whole and autocorrelated noise from second to second.

A trial's chance is a pure function of the seed and the trial's name, and not of what ran before: NumPy's PCG64 is
seeded with the SHA-256 digest of the text ``trialbed-noise-1/SEED/NAME``. Its first standard normal gives the trial's
factor, the others drive the autoregression.
"""

from __future__ import annotations

import hashlib
import math

import numpy as np

from orchestrator.hypervisors.simulated.settings import SimulatedSettings
from orchestrator.units import PerSecond, Seconds

NOISE_RULE = "trialbed-noise-1"
_BLOCK = 512


class Operations:
    """The operations of one launch of the load, second by second.

    In second k (from 0) the load does ``steady x factor x warm(k) x (1 + e_k)`` operations with

    * ``factor`` lognormal with mean 1: ``exp(s z - s^2 / 2)``;
    * ``warm(k)`` the mean of ``1 - depth exp(-t / tau)`` over that second;
    * ``e_k = phi e_(k-1) + sd sqrt(1 - phi^2) z_k``, stationary from the start, so its standard deviation is ``sd``
      and its correlation at lag j is ``phi^j``.

    Args:
        settings: of the simulation.
        steady: operations per second in the steady state, the mean over trials.
        name: tells this trial from all others.
    """

    def __init__(self, settings: SimulatedSettings, steady: PerSecond, name: str) -> None:
        digest = hashlib.sha256(f"{NOISE_RULE}/{settings.seed}/{name}".encode()).digest()
        self._random = np.random.Generator(np.random.PCG64(int.from_bytes(digest)))
        between = settings.noise.between
        self.factor = math.exp(between * float(self._random.standard_normal()) - between**2 / 2)
        self._settings = settings
        self._steady, self._mean = steady, steady * self.factor
        self._changes: list[tuple[float, float]] = []
        self._last_noise: float | None = None
        self._done = [0.0]

    def until(self, second: int) -> float:
        """Operations in the first ``second`` seconds."""
        while len(self._done) <= second:
            self._extend()
        total, since_s, scale = 0.0, 0.0, 1.0
        for at_s, next_scale in self._changes:
            if at_s >= second:
                break
            total += scale * (self._at(at_s) - self._at(since_s))
            since_s, scale = at_s, next_scale
        return total + scale * (self._done[second] - self._at(since_s))

    def change(self, at_s: Seconds, steady: PerSecond) -> None:
        """From ``at_s`` seconds after the launch on, the steady state is another; later than any change before."""
        self._changes.append((at_s, steady / self._steady))

    def _at(self, second: float) -> float:
        """Operations at any time up to what is done, were there no change."""
        whole = int(second)
        rest = second - whole
        return self._done[whole] + (rest * (self._done[whole + 1] - self._done[whole]) if rest else 0.0)

    def _extend(self) -> None:
        first = len(self._done) - 1
        rate = self._mean * self._warm(first) * np.maximum(1.0 + self._noise(), 0.0)
        self._done.extend((self._done[-1] + np.cumsum(rate)).tolist())

    def _warm(self, first: int) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
        tau, depth = self._settings.warm_up.time_constant, self._settings.warm_up.depth
        edges = np.exp(-np.arange(first, first + _BLOCK + 1) / tau)
        return 1.0 - depth * tau * (edges[:-1] - edges[1:])

    def _noise(self) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
        sd, phi = self._settings.noise.within, self._settings.noise.correlation
        innovation = math.sqrt(1 - phi**2)
        z = self._random.standard_normal(_BLOCK).tolist()
        noise = []
        last = self._last_noise
        for shock in z:
            last = shock if last is None else phi * last + innovation * shock
            noise.append(last)
        self._last_noise = last
        return sd * np.asarray(noise)
