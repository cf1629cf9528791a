"""Sources of a flyback's hand calculation, and how far a right simulation may lie from it, with the reasons."""

from __future__ import annotations

from harness.handcalc.expectation import Difference

BALANCE = (
    "volt-second and charge balance of straight pieces with all drops (Erickson, Maksimovic, ch. 2, 5; from memory)"
)
PIECES = "exact mean, RMS and peak of straight pieces; edges by own state equations of the cell"
CLAMPED = "energy balance of the clamp, P = Lk I^2 f Vc / (2 (Vc - Vr)) (application notes; from memory)"
DRAIN = "bus, clamp and the loop's overshoot by own state equations of the clamp's cell"
LEAKAGE = "own state equations of leakage and junctions at the turn-on, for one voltage a turn on all windings"
SHARING = "straight rectifying paths on one core, each rail's charge what its load draws (own derivation)"

STRAIGHT = "drops and resistances at their mean current, core and drain exchange their energy in no time but one edge"
DUTY = Difference(-0.02, 0.02, STRAIGHT)
FREQUENCY = Difference(-0.02, 0.02, f"{STRAIGHT}; the ring before the turn-on is stepped")
PEAK = Difference(-0.015, 0.015, STRAIGHT)
FLUX = Difference(-0.02, 0.02, STRAIGHT)
RMS = Difference(-0.02, 0.025, f"{STRAIGHT}; ringing counts by its first swings")
AVERAGE = Difference(-0.01, 0.01, f"{STRAIGHT}; the diode's junction is no part of its current")
CLAMP_VOLTAGE = Difference(
    -0.05, 0.05, "the clamp's current starts at once here; in truth the loop and the drain's capacitance delay it"
)
CLAMP_POWER = Difference(-0.10, 0.10, "as the square of the clamp's voltage")
CLAMP_CURRENT = Difference(-0.15, 0.15, "a pulse of some ten nanoseconds, its edge by the loop's ringing")
DRAIN_PEAK = Difference(-0.04, 0.04, "as the clamp's voltage; the leakage's current stands still over the edge here")
RECTIFIER_PEAK = Difference(-0.10, 0.10, "the magnetising current and the rails' voltages stand still over the edge")
RECTIFIER_CURRENT = Difference(
    -0.12, 0.12, "the leakage rings with the drain as the clamp lets go, its first swing counted alone"
)
PLATEAU = Difference(-0.015, 0.015, "mean while it blocks here, median where it is measured")
CAN_RMS = Difference(-0.03, 0.03, f"{STRAIGHT}; the leakage's ring starts at the clamp's end here")
RIPPLE = Difference(-0.05, 0.05, f"{STRAIGHT}; the takeover's edges are straight here")
RIPPLE_ESL = Difference(
    -0.25, 0.25, "the bank's inductance shows every slope of the takeover and the leakage's ringing"
)
FILTERED = Difference(-0.06, 0.06, "what the post filter leaves of the ripple at the first bank")
PROBED = Difference(-0.08, 0.08, "straight edges before a low pass whose period is no longer than they are")
FOLLOWED = Difference(-0.02, 0.02, "diodes as straight lines, banks without ripple while the rails share")
SHARED = "how rails share a current hangs on milliohms and on their diodes' curves"
DRAWN = Difference(-0.03, 0.03, STRAIGHT)
LOWEST_BUS = Difference(-0.02, 0.02, STRAIGHT)
RINGS = "the leakage's ring behind the clamp starts at the clamp's end here, and how it is damped counts"
RING = "the drain's ring decides from which voltage and current the turn-on begins"
