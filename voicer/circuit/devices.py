"""Generic classes of bucket-brigade devices, and what each does to a signal.

A class is a set of physical parameters, not a product. Where no source could be read the value is marked
"chosen": a plausible figure picked so that the whole device lands in the bands of common practice (signal to
noise some 70 to 75 dB, distortion about 1 % at 0.8 V rms, insertion gain within a few dB); measure your own
device and use that.

| symbol | name                     | unit | meaning                                            |
|--------|--------------------------|------|----------------------------------------------------|
| N      | stages                   | 1    | buckets; N/2 clock periods from input to output    |
| e      | transfer loss            | 1    | fraction of the charge left behind at a transfer   |
| fc     | clock_hz                 | Hz   | two-phase clock; one sample per period             |
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from voicer.circuit.arrays import Array, ComplexArray, Values

MOST_TRANSFER_SPREAD = 10.0
"""N * e is held below this; past it the model of the transfer (and any real line) is of no use."""


@dataclass(frozen=True)
class DeviceClass:
    """Physical parameters of one device."""

    stages: int
    rated_clock_low_hz: float
    """Below it leakage eats the headroom. Chosen."""
    rated_clock_high_hz: float
    """Above it the charge has no time to flow; larger devices load the clock more. Chosen."""
    settling_s: float
    """Time constant of the output follower, which has half a clock period to settle; the more buckets, the more the
    clock lines are loaded. Chosen: at the highest rated clock 1 to 2 dB are lost."""
    transfer_loss: float = 8e-5
    """e at slow clocks. From memory, unverified: 1e-4 to 1e-3 for audio devices, better for tetrode buckets."""
    transfer_time_s: float = 0.40e-6
    """Time constant of the charge's last flow; adds exp(-1/(2 fc T)) to e. The law (flat at slow clocks, rising
    at fast ones): Haslett and Kejariwal, IEE 1977. The value: chosen."""
    saturation_v: float = 3.5
    """Soft limit of a bucket. Chosen: about 1 % distortion at 0.8 V rms."""
    unevenness_v: float = 0.25
    """Offset of the bias from the middle of the bucket; makes even harmonics. Chosen."""
    leakage_v_s: float = 0.4
    """Bias shift per second of storage (dark current). Chosen; it doubles about every 8 degC."""
    leakage_time_s: float = 6.0
    """Time constant with which stored signal charge fades. Chosen."""
    device_noise_v: float = 60e-6
    """White noise of input and output, rms over half the clock. kT/C of 1 pF at 300 K is 64 uV."""
    transfer_noise_v: float = 1.2e-6
    """Noise per transfer, rms, first-difference shaped (Thornber and Tompsett 1973, from memory). Value: chosen."""
    bleed_v: float = 2.5e-3
    """Clock left at the output after balancing, peak. Chosen."""
    imbalance: float = 4e-3
    """Relative gain difference of the two output phases after balancing. Chosen."""

    def transfer_loss_at(self, clock_hz: Array) -> Array:
        """Fraction e left behind at each transfer; flat at slow clocks, rising at fast ones."""
        return self.transfer_loss + np.exp(-0.5 / (clock_hz * self.transfer_time_s))

    def insertion_gain_at(self, clock_hz: Array) -> Array:
        """Gain of one device at low frequency: the output follower settles 1 - exp(-1/(2 fc T))."""
        return -np.expm1(-0.5 / (clock_hz * self.settling_s))


DEVICE_CLASSES = {
    512: DeviceClass(512, 8_000, 200_000, settling_s=1.4e-6),
    1024: DeviceClass(1024, 8_000, 180_000, settling_s=1.6e-6),
    2048: DeviceClass(2048, 6_000, 130_000, settling_s=2.2e-6),
    4096: DeviceClass(4096, 5_000, 100_000, settling_s=3.0e-6),
}
"""By number of stages."""


@dataclass(frozen=True)
class LineParts:
    """Devices in series, with each flaw scaled by how much of it is asked for (1: as the class has it)."""

    device: DeviceClass
    devices: int
    transfer_loss: float = 1.0
    saturation: float = 1.0
    leakage: float = 1.0
    noise: float = 1.0
    clock_bleed: float = 1.0
    makeup: Values = 1.0
    """Gain of the amplifier behind the line, trimmed on the bench to make up what the devices lose."""

    @property
    def stages(self) -> int:
        """Buckets in the whole line."""
        return self.device.stages * self.devices

    @property
    def periods(self) -> int:
        """Clock periods from input to output."""
        return self.stages // 2

    def transfer_loss_at(self, clock_hz: Array) -> Array:
        """Fraction left behind at each transfer [shape like ``clock_hz``]."""
        loss = self.transfer_loss * self.device.transfer_loss_at(clock_hz)
        return np.minimum(loss, MOST_TRANSFER_SPREAD / self.stages)

    def gain_at(self, clock_hz: Array) -> Array:
        """Low-frequency gain of the line with its amplifier: followers that settle, charge that fades."""
        settled = self.device.insertion_gain_at(clock_hz) ** (self.devices * self.transfer_loss)
        return self.makeup * settled * np.exp(-self.leakage * self.storage_s(clock_hz) / self.device.leakage_time_s)

    def storage_s(self, clock_hz: Array) -> Array:
        """Time a sample spends in the buckets, s."""
        return self.periods / clock_hz

    def bias_shift_v(self, clock_hz: Array) -> Array:
        """How far dark current moves the bias while a sample waits, V."""
        return self.leakage * self.device.leakage_v_s * self.storage_s(clock_hz)

    def response(self, f_hz: Array, clock_hz: Array) -> ComplexArray:
        """Small-signal gain with its hold, the pure delay of P periods left out (broadcasts)."""
        loss = transfer_response(self.stages, self.transfer_loss_at(clock_hz), 2 * np.pi * f_hz / clock_hz)
        return self.gain_at(clock_hz) * loss * hold_response(f_hz, clock_hz)

    def gain(self, f_hz: Array, clock_hz: Array) -> Array:
        """Magnitude of `response` (broadcasts)."""
        loss = transfer_gain(self.stages, self.transfer_loss_at(clock_hz), 2 * np.pi * f_hz / clock_hz)
        return self.gain_at(clock_hz) * loss * np.abs(np.sinc(f_hz / clock_hz))

    def extra_periods(self, clock_hz: Values) -> Values:
        """Periods beyond P at low frequency: half a one for the hold, N e / (1 - e) for charge left behind."""
        loss = self.transfer_loss_at(np.asarray(clock_hz, dtype=np.float64))
        return 0.5 + self.stages * loss / (1 - loss)


def transfer_weights(stages: int, transfer_loss: float, count: int) -> Array:
    """Impulse response of N lossy transfers, in clock periods [shape=(count,)].

    ``((1 - e) / (1 - e z^-1))^N`` expands into the negative binomial weights
    ``w[0] = (1 - e)^N``, ``w[k] = w[k-1] e (N + k - 1) / k``; their sum is one (charge is conserved).
    Source of e: Del Re's definition; magnitude checked against exp(-N e (1 - cos w)), the form used in
    imaging-system models.
    """
    k = np.arange(1, count)
    log_ratio = np.log(np.maximum(transfer_loss, 1e-300)) + np.log((stages + k - 1) / k)
    log_first = stages * np.log1p(-transfer_loss)
    weights: Array = np.exp(log_first + np.concatenate(([0.0], np.cumsum(log_ratio))))
    return weights


def transfer_response(
    stages: int, transfer_loss: Array, w: Array
) -> ComplexArray:
    """Complex gain of N lossy transfers at angle ``w = 2 pi f / fc`` (broadcasts), ideal delay left out."""
    gain: ComplexArray = ((1 - transfer_loss) / (1 - transfer_loss * np.exp(-1j * w))) ** stages
    return gain


def transfer_gain(
    stages: int, transfer_loss: Array, w: Array
) -> Array:
    """Magnitude of `transfer_response`, much cheaper (broadcasts)."""
    e = transfer_loss
    gain: Array = ((1 - e) ** 2 / (1 - 2 * e * np.cos(w) + e * e)) ** (stages / 2)
    return gain


def hold_response(f_hz: Array, clock_hz: Array) -> ComplexArray:
    """Complex gain of holding each sample for one clock period: ``sinc(f/fc)``, half a period late."""
    ratio = f_hz / clock_hz
    gain: ComplexArray = np.sinc(ratio) * np.exp(-1j * np.pi * ratio)
    return gain
