/*
 * The reference speed controller: a PI controller with anti-windup and a low-pass on its torque, tick by tick.
 *
 * It computes what the bench's own drive computes (src/drive/speed_loop.rs), in doubles and in the same order, so that
 * the same counts give the same bits on every processor with IEEE 754 arithmetic, soft or hard. Compile it with
 * -ffp-contract=off: a fused multiply-add rounds once where two operations round twice. What it does not: the link.
 * Start reading at ps_controller_step.
 */
#ifndef PLANTSTAND_CONTROLLER_H
#define PLANTSTAND_CONTROLLER_H

#include <stdbool.h>
#include <stdint.h>

/* What a person sets. */
struct ps_settings {
    double gain_nms_per_rad;
    double reset_time_s;      /* 0: no integrator */
    double torque_lowpass_hz; /* 0: off */
    double torque_limit_nm;
    double counts_per_turn;
};

struct ps_controller {
    /* What it works with, from the settings and the tick rate. */
    double gain_nms_per_rad;
    double period_over_reset_time;
    double lowpass_last;  /* weight of the last output, exp(-2 pi f T) */
    double lowpass_fresh; /* weight of the input, one minus that */
    double torque_limit_nm;
    double count_per_tick_rad_per_s;
    /* What it remembers. */
    double error_sum_rad_per_s;
    double filtered_nm;
    double torque_nm;
    int64_t last_counts;
    uint64_t last_tick;
    bool has_counts;
};

/* Makes a controller for this tick rate, with its memory empty. */
void ps_controller_start(struct ps_controller *controller, const struct ps_settings *settings, uint32_t tick_hz);

/* Empties its memory, as a cut of the power does. */
void ps_controller_reset(struct ps_controller *controller);

/* One tick: from counts and setpoint to torque in Nm. Where ticks are missing the difference of counts is taken over
 * as many; the first has no difference, so its speed is 0. */
double ps_controller_step(struct ps_controller *controller, uint64_t tick, int64_t counts, double setpoint_rad_per_s);

#endif
