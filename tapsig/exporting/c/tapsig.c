/* Joins the detector, the clock and the entry machine. tapsig_numbers.h says which detector, and gives their numbers. */
#define TAPSIG_NUMBERS
#include "tapsig.h"

#if defined(TAPSIG_RUNS_FIXED_THRESHOLD)

static void core_init(tapsig_core *core)
{
    tapsig_fixed_threshold_init(core);
}

static bool core_push(tapsig_core *core, uint16_t count, uint16_t *onset_age)
{
    *onset_age = 0;
    return tapsig_fixed_threshold_push(core, &tapsig_numbers, count);
}

int32_t tapsig_probe(const tapsig_detector *detector)
{
    return (int32_t)(detector->core.bias_q16 >> 1);
}

#elif defined(TAPSIG_RUNS_RING_FOLLOWING)

static void core_init(tapsig_core *core)
{
    tapsig_ring_following_init(core);
}

static bool core_push(tapsig_core *core, uint16_t count, uint16_t *onset_age)
{
    return tapsig_ring_following_push(core, &tapsig_numbers, count, onset_age);
}

int32_t tapsig_probe(const tapsig_detector *detector)
{
    return detector->core.mark;
}

#else

static void core_init(tapsig_core *core)
{
    tapsig_tap_init(core);
}

#ifndef TAPSIG_WITH_EVIDENCE
static bool core_push(tapsig_core *core, uint16_t count, uint16_t *onset_age)
{
    const bool tap = tapsig_tap_push(core, &tapsig_numbers, count) == TAPSIG_IS_TAP;
    *onset_age = tap ? tapsig_tap_onset_age(core, &tapsig_numbers) : 0;
    return tap;
}
#endif

int32_t tapsig_probe(const tapsig_detector *detector)
{
    const tapsig_levels *levels = &detector->core.levels;
    const uint8_t last = (uint8_t)((levels->block - 1) & (TAPSIG_BLOCKS_KEPT - 1));
    uint32_t probe = 0;
    for (uint8_t channel = 0; channel < TAPSIG_CHANNELS; channel++) {
        probe = (probe << 8) | levels->level[channel][last];
    }
    return (int32_t)probe;
}

#endif

void tapsig_init(tapsig_detector *detector)
{
    core_init(&detector->core);
#if defined(TAPSIG_WITH_EVIDENCE)
    tapsig_judge_init(&detector->judge);
    detector->judged = false;
#elif defined(TAPSIG_WITH_ENTRY)
    tapsig_clock_init(&detector->clock);
    tapsig_entry_init(&detector->entry);
#endif
}

#ifdef TAPSIG_WITH_EVIDENCE

/* All candidates go to the judge, which works in small parts, one in each millisecond that has time: the verdict may come
 * some seconds after the silence. */
static uint8_t push_judge(tapsig_detector *detector, uint8_t decided, uint32_t block)
{
    const tapsig_candidate *candidate = &detector->core.candidate;
    tapsig_judge *judge = &detector->judge;
    uint8_t verdict = TAPSIG_NO_VERDICT;
    if (decided != TAPSIG_NOTHING) {
        const uint32_t at = candidate->block + candidate->age;
        tapsig_judge_tick(judge, &tapsig_judge_numbers, at > TAPSIG_DECISION_MS ? at - TAPSIG_DECISION_MS : 0);
        tapsig_judge_push(judge, &tapsig_judge_numbers, candidate);
    } else if (tapsig_tap_has_time(&detector->core) && !tapsig_judge_rests(block)
               && tapsig_judge_tick(judge, &tapsig_judge_numbers,
                                    block > TAPSIG_DECISION_MS ? block - TAPSIG_DECISION_MS : 0)) {
        verdict = tapsig_judge_step(judge, &tapsig_judge_numbers);
    }
    return verdict;
}

tapsig_event tapsig_push(tapsig_detector *detector, uint16_t count)
{
    tapsig_event event = {false, 0, 0};
    const uint32_t before = detector->core.levels.block;
#if TAPSIG_COUNT_MAX < 65535
    if (count > TAPSIG_COUNT_MAX) {
        count = TAPSIG_COUNT_MAX;
    }
#endif
    const uint8_t decided = tapsig_tap_push(&detector->core, &tapsig_numbers, count);
    event.tap = decided == TAPSIG_IS_TAP;
    event.onset_age = event.tap ? tapsig_tap_onset_age(&detector->core, &tapsig_numbers) : 0;
    if (detector->core.levels.block != before) {
        detector->judged = decided != TAPSIG_NOTHING;
        event.verdict = push_judge(detector, decided, detector->core.levels.block);
    }
    return event;
}

#else

tapsig_event tapsig_push(tapsig_detector *detector, uint16_t count)
{
    tapsig_event event = {false, 0, 0};
#if TAPSIG_COUNT_MAX < 65535
    if (count > TAPSIG_COUNT_MAX) {
        count = TAPSIG_COUNT_MAX;
    }
#endif
    event.tap = core_push(&detector->core, count, &event.onset_age);
#ifdef TAPSIG_WITH_ENTRY
    tapsig_clock *clock = &detector->clock;
    if (event.tap) {
        const uint32_t onset_ms = tapsig_clock_moment(clock, &tapsig_clock_numbers, event.onset_age);
        event.verdict = tapsig_entry_push(&detector->entry, &tapsig_entry_numbers, onset_ms);
    }
    const uint32_t settled_ms = clock->now_ms - tapsig_clock_numbers.latency_ms; /* no tap before it will follow */
    if (tapsig_clock_tick(clock, &tapsig_clock_numbers) && !event.tap) {
        event.verdict = tapsig_entry_advance(&detector->entry, &tapsig_entry_numbers, settled_ms);
    }
#endif
    return event;
}

#endif

bool tapsig_has_time(const tapsig_detector *detector)
{
#if defined(TAPSIG_WITH_EVIDENCE)
    /* What push_judge leaves over. */
    return tapsig_tap_has_time(&detector->core) && !detector->judged
           && (!detector->judge.evidence.over || tapsig_judge_rests(detector->core.levels.block));
#elif defined(TAPSIG_RUNS_TAP)
    return tapsig_tap_has_time(&detector->core);
#else
    (void)detector;
    return true;
#endif
}

#if defined(TAPSIG_WITH_EVIDENCE) || defined(TAPSIG_WITH_ENTRY)

#ifdef TAPSIG_WITH_EVIDENCE
#define ENTRY_OF(detector) (&(detector)->judge.entry)
#define ENTRY_NUMBERS (&tapsig_judge_numbers.entry)
#else
#define ENTRY_OF(detector) (&(detector)->entry)
#define ENTRY_NUMBERS (&tapsig_entry_numbers)
#endif

uint16_t tapsig_failures(const tapsig_detector *detector)
{
    return ENTRY_OF(detector)->failures;
}

void tapsig_restore(tapsig_detector *detector, uint16_t failures)
{
    tapsig_entry *entry = ENTRY_OF(detector);
    const uint16_t limit = ENTRY_NUMBERS->failure_limit;
    if (failures == 0) {
        return;
    }
    entry->failures = (uint16_t)((limit > 0 && failures > limit ? limit : failures) - 1);
    entry->last_ms = UINT32_C(0) - ENTRY_NUMBERS->silence_ms; /* the wait counts from the end of the silence: from 0 */
#ifdef TAPSIG_WITH_ENTRY
    entry->last_ms += detector->clock.now_ms;
#endif
    tapsig_entry_settle(entry, ENTRY_NUMBERS, TAPSIG_WRONG);
}

bool tapsig_is_idle(const tapsig_detector *detector)
{
    const uint8_t state = ENTRY_OF(detector)->state;
#ifdef TAPSIG_WITH_EVIDENCE
    if (detector->judge.evidence.open || detector->judge.evidence.over) {
        return false;
    }
#endif
    return state == TAPSIG_ASLEEP || state == TAPSIG_LOCKED;
}

void tapsig_wake(tapsig_detector *detector)
{
    core_init(&detector->core);
#ifdef TAPSIG_WITH_EVIDENCE
    tapsig_evidence_init(&detector->judge.evidence);
#endif
}

#endif
