"""A tuning method to read in ten minutes and to change: raise the gain until a step rings, then back off.

What it does, in this order:
  1. first enable at half the rated torque and a low speed limit, with a gain that even the bare motor would find
     slow;
  2. direction check: a slow setpoint must turn the counts the same way;
  3. total inertia, from a short push with +torque and then -torque: friction and weight push the same way in both,
     so the difference of the torques over the difference of the accelerations is the inertia alone;
  4. gain ladder: from 6 Hz of crossover upwards, speed steps there and back at each rung, until the measured speed
     overshoots, keeps swinging, or the torque gets rough;
  5. back off by BACK_OFF, check with one more step, store, done.
What it does not: notches, load steps, corners. It reads only what the drive shows, keeps inside the window and the
path, and where it cannot go on it takes the torque off, says why, and exits with 1.

Start reading at tune(). Run it through the bench:

    plantstand score FILE --method 'python3 tools/python/step_and_back_off.py'

Cautions. The bench is a simulator; a pass is no proof that a machine is safe or that settings suit it. Never connect
this method to a drive that can move real machinery: it moves the axis without warning and drives it to the edge of
ringing on purpose.
"""

import math
import sys
from typing import NamedTuple

from plantstand_client import QUICK_STOP, Client, LinkError, Value

RPM = math.pi / 30.0

FIRST_CROSSOVER_HZ = 25.0    # of the bare motor; coupled to its load the axis is slower still
FIRST_RESET_TIME_S = 0.05    # short enough that a weight sags by a turn of the motor at most before it is held
FIRST_TORQUE_FRAC = 0.5      # of rated torque at the first enable: holds a weight, breaks nothing
WORK_TORQUE_FRAC = 0.8       # of rated torque while measuring and stepping
SPEED_LIMIT_FRAC = 0.7       # of the axis' highest speed: the drive trips there while we tune
STEP_SPEED_FRAC = 0.25       # of the axis' highest speed
PUSH_SPEED_FRAC = 0.4        # of the axis' highest speed: a push must last longer than a coupling swings
LADDER_START_HZ = 6.0        # crossover = gain / (2 pi inertia); slow for any servo axis
LADDER_FACTOR = 1.3
LADDER_END_HZ = 100.0        # beyond, dead time of a few ticks at 8 kHz and couplings eat the phase
RESET_PER_LAG = 6.0          # reset time in units of inertia / gain; 4 is critically damped on a rigid axis
OVERSHOOT_MAX_FRAC = 0.35    # of the step
SWING_MAX_FRAC = 0.10        # of the step: how far the measured speed still swings from 150 ms after the ramp on
ROUGHNESS_MAX = 1.6          # torque roughness per gain, against the lowest rung
ROUGHNESS_FLOOR_FRAC = 0.002 # of rated torque: below that no roughness counts
BACK_OFF = 0.25              # of the gain at which it showed: the motor's own speed rings late, the load wants the rest
LOWPASS_PER_TICK_HZ = 0.1    # torque low-pass by tick rate: 800 Hz at 8 kHz takes noise and little phase


class Stopped(Exception):
    """The method cannot go on; the text says why."""


class Rung(NamedTuple):
    """What the steps at one gain showed."""
    overshoot_frac: float
    swing_frac: float
    roughness_nm: float


class Axis:
    """The client with a watch on window, path, time and trips: every exchange of this method goes through move()."""

    def __init__(self, client):
        self.client, self.facts = client, client.facts
        settings = client.settings()
        self.ratio = settings["gear_ratio"].value
        self.deg_per_count = 360.0 / (settings["counts_per_turn"].value * self.ratio)
        start = client.feedback.samples[0].counts
        self.zero_counts = start if self.facts.endless else settings["angle_zero_counts"].value
        self.low_deg, self.high_deg = self.facts.window_deg
        self.width_deg = self.high_deg - self.low_deg
        self.path_deg, self.last_deg = 0.0, self.angle_deg(start)
        # The watch stops a twentieth of the window before its edge, but not where the axis stands close to one.
        room_deg = min(self.last_deg - self.low_deg, self.high_deg - self.last_deg)
        self.margin_deg = min(0.05 * self.width_deg, 0.2 * room_deg)

    def angle_deg(self, counts):
        return (counts - self.zero_counts) * self.deg_per_count

    def room_sign(self):
        """The motor's direction in which the load has more room."""
        load_sign = 1 if self.last_deg <= (self.low_deg + self.high_deg) / 2 else -1
        return load_sign if self.ratio > 0 else -load_sign

    def move(self, *values):
        """One exchange, watched."""
        feedback = self.client.exchange(values)
        angle_deg = self.angle_deg(feedback.samples[-1].counts)
        self.path_deg += abs(angle_deg - self.last_deg)
        self.last_deg = angle_deg
        time_s = (feedback.first_tick + len(feedback.samples)) / self.facts.tick_hz
        if feedback.trip:
            raise Stopped(f"the drive tripped, {self.client.trip_name()}")
        if not self.low_deg + self.margin_deg < angle_deg < self.high_deg - self.margin_deg:
            window = f"{self.low_deg:g} to {self.high_deg:g} deg"
            raise Stopped(f"the load is at {angle_deg:.1f} deg, too close to the edge of the window, {window}")
        if 0.9 * self.facts.path_deg < self.path_deg:
            allowed = f"{self.facts.path_deg:g} deg are allowed"
            raise Stopped(f"the load has turned {self.path_deg:.0f} deg in all, {allowed}")
        if 0.9 * self.facts.time_s < time_s:
            raise Stopped(f"{time_s:.1f} s of {self.facts.time_s:g} s are used up")
        return feedback

    def exchanges(self, time_s):
        return max(1, round(time_s * self.facts.tick_hz / self.facts.stride_ticks))

    def hold(self, speed_rad_per_s, time_s):
        """Holds a setpoint and returns the feedbacks."""
        return [self.move(Value(speed_rad_per_s)) for _ in range(self.exchanges(time_s))]

    def ramp(self, from_rad_per_s, to_rad_per_s, time_s):
        """A straight ramp of the setpoint, one value per tick."""
        stride = self.facts.stride_ticks
        ticks = self.exchanges(time_s) * stride
        slope = (to_rad_per_s - from_rad_per_s) / ticks
        setpoints = [Value(from_rad_per_s + slope * (tick + 1)) for tick in range(ticks)]
        return [self.move(*setpoints[first:first + stride]) for first in range(0, ticks, stride)]


def first_enable(axis):
    """Small torque, small speed limit, slow loop; a hanging load may sag a little until it is held."""
    client, settings = axis.client, axis.client.settings()
    client.write("speed_gain_nms_per_rad", 2.0 * math.pi * FIRST_CROSSOVER_HZ * settings["motor_inertia_kgm2"].value)
    client.write("speed_reset_time_s", FIRST_RESET_TIME_S)
    client.write("torque_limit_nm", min(settings["torque_limit_nm"].value,
                                        FIRST_TORQUE_FRAC * settings["rated_torque_nm"].value))
    client.write("speed_limit_rpm", SPEED_LIMIT_FRAC * axis.facts.max_speed_rad_per_s / RPM)
    client.enable()
    for _ in range(6):
        if abs(mean_speed(axis.hold(0.0, 0.5)[-20:])) < 0.01 * axis.facts.max_speed_rad_per_s:
            return
    raise Stopped("the axis does not come to rest at half the rated torque")


def check_direction(axis):
    """A slow setpoint towards the roomier side: the load must follow it, not run the other way."""
    sign, start_deg = axis.room_sign(), axis.last_deg
    needed_deg = 10.0 / abs(axis.ratio)
    for _ in range(axis.exchanges(4.0)):
        axis.move(Value(sign * 0.05 * axis.facts.max_speed_rad_per_s))
        moved_deg = (axis.last_deg - start_deg) * math.copysign(1.0, axis.ratio) * sign
        if moved_deg < -needed_deg:
            raise Stopped("wrong direction: the axis turns against its setpoint; check the sensor's sign")
        if needed_deg < moved_deg:
            axis.hold(0.0, 0.5)
            return
    raise Stopped("the axis does not move at half the rated torque within 4 s")


def push(axis, torque_nm, time_s, speed_end_rad_per_s):
    """Torque offset until a time, a speed or a tenth of the window is reached; returns the feedbacks.

    The setpoint follows the measured speed, so the speed loop adds next to nothing but what it held before.
    """
    found, start_deg, sign = [axis.client.feedback], axis.last_deg, math.copysign(1.0, torque_nm)
    for _ in range(axis.exchanges(time_s)):
        found.append(axis.move(Value(found[-1].speed_rad_per_s, 0.0, torque_nm)))
        beyond = speed_end_rad_per_s <= sign * found[-1].speed_rad_per_s
        if beyond or 0.1 * axis.width_deg < abs(axis.last_deg - start_deg):
            break
    return found


def slope_and_torque(axis, feedbacks):
    """Acceleration by least squares and mean torque over a push, its first fifth (gaps closing) left out."""
    kept = feedbacks[len(feedbacks) // 5 + 1:]
    period_s = axis.facts.stride_ticks / axis.facts.tick_hz
    middle = (len(kept) - 1) / 2
    spread = sum((place - middle) ** 2 for place in range(len(kept))) * period_s
    slope = sum((place - middle) * feedback.speed_rad_per_s for place, feedback in enumerate(kept)) / spread
    return slope, sum(feedback.torque_nm for feedback in kept) / len(kept)


def measure_inertia(axis):
    """Total inertia at the motor in kgm2: mean of a push there and a push back."""
    rated_nm = axis.client.settings()["rated_torque_nm"].value
    axis.client.write("torque_limit_nm", WORK_TORQUE_FRAC * rated_nm)
    speed = PUSH_SPEED_FRAC * axis.facts.max_speed_rad_per_s
    torque_nm, found, sign = 0.2 * rated_nm, [], axis.room_sign()
    while len(found) < 2:
        out = push(axis, sign * torque_nm, 0.15, speed)
        back = push(axis, -sign * torque_nm, 0.3, 0.0)
        axis.hold(0.0, 0.4)
        if max(abs(feedback.speed_rad_per_s) for feedback in out) < 0.05 * axis.facts.max_speed_rad_per_s:
            torque_nm *= 1.5
            if WORK_TORQUE_FRAC * rated_nm < torque_nm:
                raise Stopped("the axis hardly moves at the torque allowed: blocked, or much friction")
            continue
        if min(len(out), len(back)) < 12:
            raise Stopped("the push is too short to measure the inertia: a longer window or a shorter stride is needed")
        (slope_out, torque_out), (slope_back, torque_back) = slope_and_torque(axis, out), slope_and_torque(axis, back)
        found.append((torque_out - torque_back) / (slope_out - slope_back))
        sign = -sign
    motor = axis.client.settings()["motor_inertia_kgm2"].value
    if not 0.5 * motor < min(found) <= max(found) < 2.0 * min(found):
        pushes = " and ".join(f"{inertia:.3g}" for inertia in found)
        raise Stopped(f"the pushes give inertias of {pushes} kgm2, the nameplate's motor alone has {motor:.3g} kgm2")
    return sum(found) / 2


def set_gain(axis, gain, inertia_kgm2):
    """Gain, and the reset time that goes with it."""
    axis.client.write("speed_gain_nms_per_rad", gain)
    axis.client.write("speed_reset_time_s", RESET_PER_LAG * inertia_kgm2 / gain)


def step_speed(axis):
    """A step's height: a share of the highest speed, but 0.5 s of it take no more than an eighth of the window."""
    window_rad_per_s = math.radians(axis.width_deg / 8) * abs(axis.ratio) / 0.5
    return min(STEP_SPEED_FRAC * axis.facts.max_speed_rad_per_s, window_rad_per_s)


def try_steps(axis, height):
    """A ramped step there and one back; the worse of the two."""
    worst, sign = Rung(0.0, 0.0, 0.0), axis.room_sign()
    for speed in (sign * height, -sign * height):
        rise = axis.ramp(0.0, speed, 0.05) + axis.hold(speed, 0.15)
        late = axis.hold(speed, 0.15)
        axis.ramp(speed, 0.0, 0.05)
        axis.hold(0.0, 0.2)
        speeds = [feedback.speed_rad_per_s / speed for feedback in rise + late]
        swing_frac = swing([feedback.speed_rad_per_s / height for feedback in late])
        torques = [sample.torque_command_nm for feedback in late for sample in feedback.samples]
        rough = math.sqrt(sum((after - before) ** 2 for before, after in zip(torques, torques[1:])) / len(torques))
        worst = Rung(max(worst.overshoot_frac, max(speeds) - 1.0), max(worst.swing_frac, swing_frac),
                     max(worst.roughness_nm, rough))
    return worst


def swing(values):
    """Third largest move between turning points: what only creeps to its end, or bends once, does not swing."""
    triples = zip(values, values[1:], values[2:])
    turns = [here for before, here, after in triples if (here - before) * (after - here) < 0.0]
    points = [values[0], *turns, values[-1]]
    moves = sorted(abs(after - before) for before, after in zip(points, points[1:]))
    return moves[-3] if 2 < len(moves) else 0.0


def trouble(rung, roughness_allowed_nm):
    """What is wrong at this rung in words; empty when nothing is."""
    if OVERSHOOT_MAX_FRAC < rung.overshoot_frac:
        return f"overshoot {100 * rung.overshoot_frac:.0f} %"
    if SWING_MAX_FRAC < rung.swing_frac:
        return f"swings by {100 * rung.swing_frac:.0f} % of the step"
    if roughness_allowed_nm < rung.roughness_nm:
        return f"torque roughness {rung.roughness_nm:.3g} Nm a tick, at most {roughness_allowed_nm:.3g} Nm is noise"
    return ""


def climb(axis, inertia_kgm2):
    """Climbs the ladder and returns the gain at which trouble showed, or the ladder's last."""
    height, crossover_hz, per_gain_nm = step_speed(axis), LADDER_START_HZ, None
    floor_nm = ROUGHNESS_FLOOR_FRAC * axis.client.settings()["rated_torque_nm"].value
    while crossover_hz < LADDER_END_HZ:
        gain = 2.0 * math.pi * crossover_hz * inertia_kgm2
        set_gain(axis, gain, inertia_kgm2)
        rung = try_steps(axis, height)
        per_gain_nm = rung.roughness_nm / gain if per_gain_nm is None else per_gain_nm
        found = trouble(rung, max(floor_nm, ROUGHNESS_MAX * per_gain_nm * gain))
        axis.client.log(f"gain {gain:.4g}: {found or 'steady'}")
        if found and crossover_hz == LADDER_START_HZ:
            raise Stopped(f"{found} at the lowest gain, {gain:.3g} Nm s/rad")
        if found:
            return gain
        crossover_hz *= LADDER_FACTOR
    axis.client.log(f"no trouble up to {LADDER_END_HZ:g} Hz of crossover, the ladder's end")
    return 2.0 * math.pi * LADDER_END_HZ * inertia_kgm2


def tune(axis):
    """The whole method. The drive comes out at rest, disabled, with its limits as they were."""
    client = axis.client
    before = {name: client.read(name) for name in ("torque_limit_nm", "speed_limit_rpm")}
    first_enable(axis)
    check_direction(axis)
    inertia_kgm2 = measure_inertia(axis)
    client.log(f"total inertia at the motor {inertia_kgm2:.4g} kgm2")
    client.write("torque_lowpass_hz", LOWPASS_PER_TICK_HZ * axis.facts.tick_hz)
    gain = BACK_OFF * climb(axis, inertia_kgm2)
    set_gain(axis, gain, inertia_kgm2)
    axis.hold(0.0, 0.3)
    last = try_steps(axis, step_speed(axis))
    client.log(f"settled on gain {gain:.4g}, overshoot {100 * last.overshoot_frac:.0f} %")
    client.disable()
    for name, value in before.items():
        client.write(name, value)
    client.store()


def mean_speed(feedbacks):
    return sum(feedback.speed_rad_per_s for feedback in feedbacks) / len(feedbacks)


def stop(client, reason):
    """Brakes, tells the record, and leaves."""
    client.log(f"stopped: {reason}")
    client.controlword = QUICK_STOP
    for _ in range(200):
        if client.feedback.state not in ("operation enabled", "quick stop active"):
            break
        client.exchange([Value()])
    client.close(reason=5)


def main():
    with Client(name="step_and_back_off") as client:
        client.open()
        try:
            tune(Axis(client))
        except Stopped as reason:
            print(f"stopped: {reason}", file=sys.stderr)
            stop(client, reason)
            return 1
        result = client.done()
    print(f"{result.verdict}, grade {result.grade_percent:.0f} %: {result.text}")
    return 0


if __name__ == "__main__":
    try:
        sys.exit(main())
    except LinkError as error:
        print(f"link: {error}", file=sys.stderr)
        sys.exit(1)
