#include "ring_following.h"

#include "fixed.h"

#define BLOCK_Q24 (UINT32_C(1) << 24)
#define HOLD_BLOCKS 25 /* a tap's own rise on a skin: its peak lies 10 to 15 ms after contact */
#define FRAME_BITS 5   /* 32 blocks, over which one fall of the ring-down is measured */
#define FRAME_BLOCKS (1 << FRAME_BITS)

void tapsig_ring_following_init(tapsig_ring_following *detector)
{
    *detector = (tapsig_ring_following){0};
    detector->armed = true;
    detector->since = UINT16_MAX;
}

static int32_t larger(int32_t one, int32_t other)
{
    return one > other ? one : other;
}

/* Measure the fall from one frame's highest level to the next, while a tap rings and nothing else is heard. */
static void learn_decay(tapsig_ring_following *detector, const tapsig_ring_following_config *config, int32_t level)
{
    detector->frame = larger(detector->frame, level);
    if (++detector->frame_fill < FRAME_BLOCKS) {
        return;
    }
    if (config->learns && detector->frame_before > detector->background + config->over_background
        && detector->since >= HOLD_BLOCKS + 2 * FRAME_BLOCKS) {
        const int32_t least = (int32_t)config->least_decay;
        const int32_t highest = (int32_t)config->highest_decay;
        int32_t fall = (detector->frame_before - detector->frame) >> FRAME_BITS;
        fall = fall < least ? least : fall > highest ? highest : fall;
        detector->decay = (uint32_t)((int32_t)detector->decay + ((fall - (int32_t)detector->decay) >> 2));
    }
    detector->frame_before = detector->frame;
    detector->frame = 0;
    detector->frame_fill = 0;
}

static void start_tap(tapsig_ring_following *detector, int32_t level, int32_t over)
{
    detector->over = over;
    detector->since = 0;
    detector->armed = false;
    detector->last_peak = level;
    detector->frame = 0;
    detector->frame_before = 0;
    detector->frame_fill = 0;
}

static bool process_level(tapsig_ring_following *detector, const tapsig_ring_following_config *config, int32_t level)
{
    bool tap = false;
    const int32_t fall = (int32_t)((detector->decay * config->decay_fraction_q8) >> 8); /* at most 2^22 x 2^9 */
    detector->mark = larger(detector->mark - fall, 0);
    const int32_t threshold = larger(larger(config->threshold, detector->background + config->over_background), detector->mark);
    if (level < detector->last_peak - config->hysteresis) {
        detector->armed = true;
    }
    if (level > threshold && detector->since >= config->dead_blocks && detector->armed) {
        tap = true;
        start_tap(detector, level, level - threshold);
    }
    if (detector->since < HOLD_BLOCKS) {
        detector->last_peak = larger(detector->last_peak, level);
        detector->mark = larger(detector->mark, level + config->over_ring);
    }
    /* The mean takes a second to rise and a sixteenth of that to fall. */
    detector->background += (level - detector->background) >> (level > detector->background ? 10 : 6);
    learn_decay(detector, config, level);
    if (detector->since < UINT16_MAX) {
        detector->since++;
    }
    return tap;
}

static bool push_block(tapsig_ring_following *detector, const tapsig_ring_following_config *config)
{
    const int32_t level = (int32_t)tapsig_level(tapsig_square((int16_t)detector->peak)) * INT32_C(65536);
    if (!detector->background_known) {
        detector->background_known = true;
        detector->background = level;
    }
    return process_level(detector, config, level);
}

static void follow_peak(tapsig_ring_following *detector, int16_t departure)
{
    const uint16_t magnitude = (uint16_t)(departure < 0 ? -departure : departure);
    detector->peak_age++;
    if (magnitude > detector->peak) {
        detector->peak = magnitude;
        detector->peak_age = 0;
    }
}

bool tapsig_ring_following_push(tapsig_ring_following *detector, const tapsig_ring_following_config *config,
                                uint16_t count, uint16_t *onset_age)
{
    const uint16_t sample = (uint16_t)(count << config->count_shift);
    bool tap = false;
    if (!detector->started) {
        detector->started = true;
        detector->mean_q16 = (uint32_t)sample << 16;
        detector->decay = config->decay;
        detector->peak_age = UINT16_MAX; /* 0 after this sample */
    }
    const int16_t departure = tapsig_saturate16((int32_t)sample - (int32_t)(detector->mean_q16 >> 16));
    detector->mean_q16 = tapsig_follow(detector->mean_q16, departure, &config->high_pass);
    follow_peak(detector, departure);
    detector->phase_q24 += config->step_q24;
    if (detector->phase_q24 < BLOCK_Q24) {
        return false;
    }
    /* Below 1 kHz a sample stands for more than one block. */
    for (; detector->phase_q24 >= BLOCK_Q24; detector->phase_q24 -= BLOCK_Q24) {
        tap = push_block(detector, config) || tap;
    }
    *onset_age = detector->peak_age;
    detector->peak = 0;
    detector->peak_age = UINT16_MAX;
    return tap;
}
