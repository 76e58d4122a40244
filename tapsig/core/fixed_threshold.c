#include "fixed_threshold.h"

#include "fixed.h"

void tapsig_fixed_threshold_init(tapsig_fixed_threshold *detector)
{
    *detector = (tapsig_fixed_threshold){0};
}

/* The mean departure of a group moves the bias: one multiplication a millisecond, and a long memory in 32 bits. */
static void follow_bias(tapsig_fixed_threshold *detector, const tapsig_fixed_threshold_config *config,
                        int16_t departure)
{
    detector->sum += departure;
    if (++detector->fill < config->group) {
        return;
    }
    int32_t mean = detector->sum; /* at most 32767 a sample: times the reciprocal, 2^30 */
    if (config->group > 1) {
        mean = (mean * config->reciprocal_q15) >> 15;
    }
    detector->bias_q16 = tapsig_follow(detector->bias_q16, tapsig_saturate16(mean), &config->bias);
    detector->sum = 0;
    detector->fill = 0;
}

bool tapsig_fixed_threshold_push(tapsig_fixed_threshold *detector, const tapsig_fixed_threshold_config *config,
                                 uint16_t count)
{
    const uint16_t sample = (uint16_t)(count << config->count_shift);
    if (!detector->started) {
        detector->started = true;
        detector->bias_q16 = (uint32_t)sample << 16;
    }
    const int32_t departure = (int32_t)sample - (int32_t)(detector->bias_q16 >> 16);
    detector->departure = (uint16_t)(departure < 0 ? -departure : departure);
    follow_bias(detector, config, tapsig_saturate16(departure));
    if (detector->wait > 0) {
        detector->wait--;
        return false;
    }
    if (detector->departure <= config->threshold) {
        return false;
    }
    detector->wait = config->dead_samples - 1;
    return true;
}
