/* ---- a threshold that follows the ring-down ---- */

#define HOLD_BLOCKS 25
#define FRAME_BLOCKS 32
#define SILENT (-6553600)

static int32_t larger(int32_t a, int32_t b)
{
    return a > b ? a : b;
}

static void core_init(tapsig_core *core)
{
    core->mean = 0;
    core->peak = 0;
    core->peak_age = UINT16_MAX; /* 0 after the next sample */
    core->fill = 0;
    core->started = false;
    core->usual_known = false;
    core->armed = true;
    core->frame_fill = 0;
    core->since = TAPSIG_DEAD_BLOCKS;
    core->usual = 0;
    core->mark = SILENT;
    core->last_peak = SILENT;
    core->rate = TAPSIG_RATE;
    core->frame = SILENT;
    core->frame_before = SILENT;
}

static void learn_decay(tapsig_core *core, int32_t level)
{
    core->frame = larger(core->frame, level);
    core->frame_fill++;
    if (core->frame_fill < FRAME_BLOCKS) {
        return;
    }
    if (TAPSIG_LEARN && core->frame_before > core->usual + TAPSIG_OVER_USUAL &&
        core->since >= HOLD_BLOCKS + 2 * FRAME_BLOCKS) {
        int32_t fall = (int32_t)shift_down(core->frame_before - core->frame, 5);
        fall = fall < TAPSIG_RATE_LOW ? TAPSIG_RATE_LOW : fall > TAPSIG_RATE_HIGH ? TAPSIG_RATE_HIGH : fall;
        core->rate += (int32_t)shift_down(fall - core->rate, 2);
    }
    core->frame_before = core->frame;
    core->frame = SILENT;
    core->frame_fill = 0;
}

static bool judge_block(tapsig_core *core, int32_t level)
{
    bool tap = false;
    core->mark = larger(core->mark - (int32_t)shift_down((int64_t)core->rate * TAPSIG_DECAY_SHARE_Q8, 8), SILENT);
    const int32_t threshold = larger(larger(TAPSIG_THRESHOLD, core->usual + TAPSIG_OVER_USUAL), core->mark);
    if (level < core->last_peak - TAPSIG_HYSTERESIS) {
        core->armed = true;
    }
    if (level > threshold && core->since >= TAPSIG_DEAD_BLOCKS && core->armed) {
        tap = true;
        core->since = 0;
        core->armed = false;
        core->frame_fill = 0;
        core->last_peak = level;
        core->frame = SILENT;
        core->frame_before = SILENT;
    }
    if (core->since < HOLD_BLOCKS) {
        core->last_peak = larger(core->last_peak, level);
        core->mark = larger(core->mark, level + TAPSIG_OVER_RING);
    }
    core->usual += (int32_t)shift_down(level - core->usual, level > core->usual ? 10 : 6);
    learn_decay(core, level);
    if (core->since < UINT16_MAX) {
        core->since++;
    }
    return tap;
}

static bool core_push(tapsig_core *core, uint16_t count, uint16_t *onset_age)
{
    const int32_t value = (int32_t)((uint32_t)count << TAPSIG_COUNT_SHIFT) * INT32_C(4096);
    if (!core->started) {
        core->started = true;
        core->mean = value;
    }
    const int32_t departure = value - core->mean;
    core->mean += (int32_t)shift_down((int64_t)departure * TAPSIG_HIGH_PASS_Q16, 16);
    const int32_t coarse = (int32_t)shift_down(departure, 8);
    const uint32_t magnitude = (uint32_t)(coarse < 0 ? -coarse : coarse);
    core->peak_age++;
    if (magnitude > core->peak) {
        core->peak = magnitude;
        core->peak_age = 0;
    }
    if (++core->fill < TAPSIG_SAMPLES_PER_BLOCK) {
        return false;
    }
    const int32_t level = log2_q8((uint64_t)core->peak + TAPSIG_LEAST) * 256;
    if (!core->usual_known) {
        core->usual_known = true;
        core->usual = level;
    }
    const bool tap = judge_block(core, level);
    *onset_age = core->peak_age;
    core->fill = 0;
    core->peak = 0;
    core->peak_age = UINT16_MAX; /* 0 after the next sample */
    return tap;
}

/* the intermediate value that test vectors show after each count */
static int32_t core_probe(const tapsig_core *core)
{
    return core->mark;
}
