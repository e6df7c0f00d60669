/*
 * The reference speed controller. In tick k, with e_k = setpoint - measured speed:
 *
 *   c_k = Kp (e_k + (T/Tn) (S_{k-1} + e_k));  v_k = a v_{k-1} + (1 - a) c_k;  the torque is v_k limited.
 *   S_k = S_{k-1} when |v_k| is beyond the limit and e_k has the sign of v_k, else S_{k-1} + e_k.
 *
 * Four switches at compile time make it wrong on purpose, or different in rounding only, to prove what a suite of
 * trials catches: DEFECT_ANTIWINDUP_SIGN, DEFECT_FILTER_BIT, DEFECT_SKIPPED_TICK and HARMLESS_REORDERING. Start reading
 * at ps_controller_step.
 */
#include "controller.h"

static const double PI = 3.14159265358979323846;

/* Beyond any motor: no setpoint and no counts, however wild, can make a sum that is not finite. */
static const double ERROR_MAX_RAD_PER_S = 1e9;

/* ln 2 in two parts: halves times the first are exact. */
static const double LN_2_HIGH = 0x1.62e42feep-1, LN_2_LOW = 0x1.a39ef35793c76p-33;

/* exp(-x) for x from 0 on, to the last bit or the one beside it: x = n ln 2 + r, Taylor's series for exp(-r), n times
 * halved. Only the four basic operations, so it has the same bits everywhere. */
static double exp_of_minus(double x)
{
    if (700.0 < x) {
        return 0.0;
    }
    unsigned halvings = (unsigned)(x / LN_2_HIGH + 0.5);
    double rest = (x - halvings * LN_2_HIGH) - halvings * LN_2_LOW, sum = 1.0;
    for (unsigned n = 15; 0 < n; n--) {
        sum = 1.0 - rest * sum / n;
    }
    for (; 0 < halvings; halvings--) {
        sum /= 2.0;
    }
    return sum;
}

#ifdef DEFECT_FILTER_BIT
/* Flips the fourth-highest bit of a double's fraction. */
static double with_wrong_bit(double number)
{
    union { double number; uint64_t bits; } both = { .number = number };
    both.bits ^= UINT64_C(1) << 48;
    return both.number;
}
#endif

void ps_controller_start(struct ps_controller *controller, const struct ps_settings *settings, uint32_t tick_hz)
{
    double rate_hz = tick_hz, period_s = 1.0 / rate_hz;
    double lowpass_hz = settings->torque_lowpass_hz, reset_time_s = settings->reset_time_s;
    controller->gain_nms_per_rad = settings->gain_nms_per_rad;
    controller->period_over_reset_time = 0.0 < reset_time_s ? period_s / reset_time_s : 0.0;
    controller->lowpass_last = 0.0 < lowpass_hz ? exp_of_minus(2.0 * PI * lowpass_hz * period_s) : 0.0;
#ifdef DEFECT_FILTER_BIT
    controller->lowpass_last = with_wrong_bit(controller->lowpass_last);
#endif
    controller->lowpass_fresh = 1.0 - controller->lowpass_last;
    controller->torque_limit_nm = settings->torque_limit_nm;
    controller->count_per_tick_rad_per_s = 2.0 * PI / settings->counts_per_turn * rate_hz;
    ps_controller_reset(controller);
}

void ps_controller_reset(struct ps_controller *controller)
{
    controller->error_sum_rad_per_s = 0.0;
    controller->filtered_nm = 0.0;
    controller->torque_nm = 0.0;
    controller->has_counts = false;
}

/* Speed as firmware has it: the difference of counts over the ticks since the last ones. */
static double speed_from(struct ps_controller *controller, uint64_t tick, int64_t counts)
{
    /* The difference of two unsigned numbers never overflows; read as a signed one it is the change. */
    union { uint64_t bits; int64_t number; } change = { .bits = (uint64_t)counts - (uint64_t)controller->last_counts };
    bool has_difference = controller->has_counts && controller->last_tick < tick;
    double ticks = has_difference ? (double)(tick - controller->last_tick) : 1.0;
    controller->last_counts = counts;
    controller->last_tick = tick;
    controller->has_counts = true;
    return has_difference ? (double)change.number * controller->count_per_tick_rad_per_s / ticks : 0.0;
}

static double limited(double number, double limit)
{
    return limit < number ? limit : number < -limit ? -limit : number;
}

double ps_controller_step(struct ps_controller *controller, uint64_t tick, int64_t counts, double setpoint_rad_per_s)
{
#ifdef DEFECT_SKIPPED_TICK
    if (tick % 1000 == 999) {
        return controller->torque_nm;
    }
#endif
    double gain = controller->gain_nms_per_rad, ratio = controller->period_over_reset_time;
    double error = limited(setpoint_rad_per_s - speed_from(controller, tick, counts), ERROR_MAX_RAD_PER_S);
    double sum = controller->error_sum_rad_per_s + error;
#ifdef HARMLESS_REORDERING
    double wanted_nm = gain * ((error + ratio * error) + ratio * controller->error_sum_rad_per_s);
#else
    double wanted_nm = gain * (error + ratio * sum);
#endif
    controller->filtered_nm =
        controller->lowpass_last * controller->filtered_nm + controller->lowpass_fresh * wanted_nm;
    controller->torque_nm = limited(controller->filtered_nm, controller->torque_limit_nm);
    bool is_limited = controller->torque_nm < controller->filtered_nm || controller->filtered_nm < controller->torque_nm;
#ifdef DEFECT_ANTIWINDUP_SIGN
    bool winds_up = is_limited && error * controller->filtered_nm < 0.0;
#else
    bool winds_up = is_limited && 0.0 < error * controller->filtered_nm;
#endif
    if (!winds_up && 0.0 < ratio) {
        controller->error_sum_rad_per_s = sum;
    }
    return controller->torque_nm;
}
