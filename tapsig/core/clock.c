#include "clock.h"

void tapsig_clock_init(tapsig_clock *clock)
{
    clock->fraction_q24 = 0;
    clock->now_ms = 0;
}

uint32_t tapsig_clock_moment(const tapsig_clock *clock, const tapsig_clock_config *config, uint16_t age)
{
    const uint32_t age_q16 = age * (config->step_q24 >> 8);
    const uint32_t later_q16 = (clock->fraction_q24 >> 8) + UINT32_C(0x8000) + (UINT32_C(64) << 16);
    return clock->now_ms - 64 + ((later_q16 - age_q16) >> 16);
}

bool tapsig_clock_tick(tapsig_clock *clock, const tapsig_clock_config *config)
{
    const uint32_t fraction_q24 = clock->fraction_q24 + (config->step_q24 & UINT32_C(0xFFFFFF));
    const uint8_t passed_ms = (uint8_t)((config->step_q24 >> 24) + (fraction_q24 >> 24));
    clock->fraction_q24 = fraction_q24 & UINT32_C(0xFFFFFF);
    if (passed_ms == 0) {
        return false;
    }
    const uint8_t before_ms = (uint8_t)clock->now_ms;
    clock->now_ms += passed_ms;
    return passed_ms >= 16 || ((before_ms ^ (uint8_t)clock->now_ms) & 0xF0) != 0;
}
