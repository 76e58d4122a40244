/* ---- fixed threshold and dead time ---- */

static void core_init(tapsig_core *core)
{
    core->mean = 0;
    core->wait = 0;
    core->started = false;
}

static bool core_push(tapsig_core *core, uint16_t count, uint16_t *onset_age)
{
    const int32_t value = (int32_t)count * 256;
    if (!core->started) {
        core->started = true;
        core->mean = value * 256;
    }
    const int32_t departure = value - (int32_t)floor_shift(core->mean, 8);
    core->mean += (int32_t)shift_down((int64_t)departure * 256, TAPSIG_BIAS_SHIFT);
    if (core->wait > 0) {
        core->wait--;
        return false;
    }
    if (departure <= TAPSIG_THRESHOLD_Q8 && departure >= -TAPSIG_THRESHOLD_Q8) {
        return false;
    }
    core->wait = TAPSIG_DEAD_SAMPLES - 1;
    *onset_age = 0;
    return true;
}

/* the intermediate value that test vectors show after each count */
static int32_t core_probe(const tapsig_core *core)
{
    return core->mean;
}
