/*
 * The settings that are compiled in, for the dough sheeter's roll (scenarios/MACHINES.md): they hold its limits on the
 * nominal machine and in both corners. The Linux build takes others from its environment; a board takes them at compile
 * time: `make board SETTINGS='-DGAIN_NMS_PER_RAD=0.3'`. What it does not: suit another machine.
 */
#ifndef PLANTSTAND_SETTINGS_H
#define PLANTSTAND_SETTINGS_H

#include "controller.h"

#ifndef GAIN_NMS_PER_RAD
#define GAIN_NMS_PER_RAD 0.35
#endif
#ifndef RESET_TIME_S
#define RESET_TIME_S 0.05
#endif
#ifndef TORQUE_LOWPASS_HZ
#define TORQUE_LOWPASS_HZ 800.0
#endif
#ifndef TORQUE_LIMIT_NM
#define TORQUE_LIMIT_NM 8.0
#endif
#ifndef COUNTS_PER_TURN
#define COUNTS_PER_TURN 1048576.0
#endif

static const struct ps_settings PS_SETTINGS = {
    .gain_nms_per_rad = GAIN_NMS_PER_RAD,
    .reset_time_s = RESET_TIME_S,
    .torque_lowpass_hz = TORQUE_LOWPASS_HZ,
    .torque_limit_nm = TORQUE_LIMIT_NM,
    .counts_per_turn = COUNTS_PER_TURN
};

#endif
