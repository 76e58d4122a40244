/* ---- one sample through the whole chain ---- */

void tapsig_init(tapsig_detector *detector)
{
    core_init(&detector->core);
#if TAPSIG_CODE_LENGTH > 0
    entry_init(&detector->entry);
    detector->now_ms = 0;
    detector->phase = 0;
    detector->since_advance = 0;
#endif
}

#if TAPSIG_CODE_LENGTH > 0
/* Whole milliseconds, halves upwards, of the moment `age` samples (under 256 ms) ago. Divides, but only after a tap. */
static uint32_t moment_ms(const tapsig_detector *detector, uint32_t age)
{
    const uint32_t shifted = 2 * detector->phase + TAPSIG_FS + 512 * TAPSIG_FS - 2000 * age;
    return detector->now_ms + shifted / (2 * TAPSIG_FS) - 256;
}
#endif

tapsig_event tapsig_push(tapsig_detector *detector, uint16_t count)
{
    tapsig_event event = {false, 0, TAPSIG_NO_VERDICT};
    event.tap = core_push(&detector->core, count > TAPSIG_COUNT_MAX ? TAPSIG_COUNT_MAX : count, &event.onset_age);
#if TAPSIG_CODE_LENGTH > 0
    if (event.tap) {
        event.verdict = entry_push(&detector->entry, moment_ms(detector, event.onset_age));
    } else if (++detector->since_advance == TAPSIG_ADVANCE_SAMPLES) {
        detector->since_advance = 0;
        event.verdict = entry_advance(&detector->entry, detector->now_ms - TAPSIG_LATENCY_MS);
    }
    detector->phase += 1000;
    while (detector->phase >= TAPSIG_FS) {
        detector->phase -= TAPSIG_FS;
        detector->now_ms++;
    }
#endif
    return event;
}

int32_t tapsig_probe(const tapsig_detector *detector)
{
    return core_probe(&detector->core);
}
