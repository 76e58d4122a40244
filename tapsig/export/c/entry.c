/* ---- taps to digits to a verdict ---- */

enum { ASLEEP, WAKING, AWAKE, ENTERING, WAITING, LOCKED };

static const uint8_t entry_code[TAPSIG_CODE_LENGTH] = TAPSIG_CODE;

/* now is at or after then, on a clock that wraps */
static bool reached(uint32_t now_ms, uint32_t then_ms)
{
    return (uint32_t)(now_ms - then_ms) < UINT32_C(0x80000000);
}

static void clear_entry(tapsig_entry *entry)
{
    entry->digit_count = 0;
    entry->rhythm_sum_ms = 0;
    entry->rhythm_count = 0;
}

static void entry_init(tapsig_entry *entry)
{
    entry->state = ASLEEP;
    entry->wake_count = 0;
    entry->failures = 0;
    entry->last_ms = 0;
    entry->until_ms = 0;
    for (uint8_t i = 0; i < TAPSIG_CODE_LENGTH; i++) {
        entry->digits[i] = 0;
    }
    clear_entry(entry);
}

/* the longest gap that keeps two taps in one digit */
static uint32_t digit_pause_ms(const tapsig_entry *entry)
{
    if (TAPSIG_TOLERANCE_PERCENT == 0 || entry->rhythm_count == 0) {
        return TAPSIG_DIGIT_PAUSE_MS;
    }
    const uint64_t pause = entry->rhythm_sum_ms * TAPSIG_TOLERANCE_PERCENT / (UINT64_C(100) * entry->rhythm_count);
    if (pause < TAPSIG_PAUSE_LOW_MS) {
        return TAPSIG_PAUSE_LOW_MS;
    }
    return pause > TAPSIG_PAUSE_HIGH_MS ? TAPSIG_PAUSE_HIGH_MS : (uint32_t)pause;
}

static void learn_rhythm(tapsig_entry *entry, uint32_t gap_ms)
{
    entry->rhythm_sum_ms += gap_ms;
    if (entry->rhythm_count < UINT32_MAX) {
        entry->rhythm_count++;
    }
}

static void next_digit(tapsig_entry *entry)
{
    if (entry->digit_count < TAPSIG_CODE_LENGTH) {
        entry->digits[entry->digit_count] = 1;
    }
    if (entry->digit_count < UINT16_MAX) {
        entry->digit_count++;
    }
}

static void grow_digit(tapsig_entry *entry)
{
    if (entry->digit_count <= TAPSIG_CODE_LENGTH && entry->digits[entry->digit_count - 1] < UINT16_MAX) {
        entry->digits[entry->digit_count - 1]++;
    }
}

static uint8_t judge_entry(const tapsig_entry *entry)
{
    bool same = true;
    if (entry->digit_count != TAPSIG_CODE_LENGTH) {
        return TAPSIG_VOID;
    }
    for (uint8_t i = 0; i < TAPSIG_CODE_LENGTH; i++) {
        if (entry->digits[i] > TAPSIG_DIGIT_MAX) {
            return TAPSIG_VOID;
        }
        same = same && entry->digits[i] == entry_code[i];
    }
    return same ? TAPSIG_ACCEPTED : TAPSIG_WRONG;
}

/* the wait after the present number of wrong entries in a row */
static uint32_t wait_ms(uint16_t failures)
{
    uint64_t wait = TAPSIG_WAIT_MS;
    if (failures <= TAPSIG_FREE_FAILURES) {
        return 0;
    }
    for (uint16_t i = (uint16_t)(failures - TAPSIG_FREE_FAILURES); i > 1 && wait < TAPSIG_WAIT_LIMIT_MS; i--) {
        wait *= TAPSIG_WAIT_FACTOR;
        if (TAPSIG_WAIT_FACTOR == 1 || wait == 0) {
            break;
        }
    }
    return wait > TAPSIG_WAIT_LIMIT_MS ? TAPSIG_WAIT_LIMIT_MS : (uint32_t)wait;
}

static uint8_t end_entry(tapsig_entry *entry)
{
    const uint8_t verdict = judge_entry(entry);
    entry->state = AWAKE;
    if (verdict == TAPSIG_ACCEPTED) {
        entry->failures = 0;
    } else if (verdict == TAPSIG_WRONG) {
        if (entry->failures < UINT16_MAX) {
            entry->failures++;
        }
        const uint32_t wait = wait_ms(entry->failures);
        if (entry->failures == TAPSIG_FAILURE_LIMIT) {
            entry->state = LOCKED;
        } else if (wait > 0) {
            entry->state = WAITING;
            entry->until_ms = entry->last_ms + TAPSIG_SILENCE_MS + wait;
        }
    }
    clear_entry(entry);
    return verdict;
}

/* No tap before now_ms will follow. Returns the verdict on an entry that ended by then. */
static uint8_t entry_advance(tapsig_entry *entry, uint32_t now_ms)
{
    uint8_t verdict = TAPSIG_NO_VERDICT;
    if (entry->state == ENTERING && reached(now_ms, entry->last_ms + TAPSIG_SILENCE_MS)) {
        verdict = end_entry(entry);
    }
    if (entry->state == WAKING && reached(now_ms, entry->last_ms + digit_pause_ms(entry) + 1)) {
#if TAPSIG_WAKE_TAPS > 0
        entry->state = entry->wake_count >= TAPSIG_WAKE_TAPS ? AWAKE : ASLEEP;
#endif
        if (entry->state == ASLEEP) {
            clear_entry(entry);
        }
    }
    if (entry->state == WAITING && reached(now_ms, entry->until_ms)) {
        entry->state = AWAKE;
    }
    if (entry->state == AWAKE && reached(now_ms, entry->last_ms + TAPSIG_AWAKE_MS)) {
        entry->state = ASLEEP;
        clear_entry(entry);
    }
    return verdict;
}

/* The next tap. Returns the verdict on an entry that ended before it. */
static uint8_t entry_push(tapsig_entry *entry, uint32_t tap_ms)
{
    const uint8_t verdict = entry_advance(entry, tap_ms);
    const uint32_t gap_ms = tap_ms - entry->last_ms;
    switch (entry->state) {
    case ASLEEP:
#if TAPSIG_WAKE_TAPS > 0
        entry->state = WAKING;
        entry->wake_count = 1;
#else
        entry->state = ENTERING;
        next_digit(entry);
#endif
        break;
    case WAKING:
        if (entry->wake_count < UINT8_MAX) {
            entry->wake_count++;
        }
        learn_rhythm(entry, gap_ms);
        break;
    case AWAKE:
        entry->state = ENTERING;
        next_digit(entry);
        break;
    case ENTERING:
        if (gap_ms > digit_pause_ms(entry)) {
            next_digit(entry);
        } else {
            grow_digit(entry);
            learn_rhythm(entry, gap_ms);
        }
        break;
    case WAITING:
        /* a hand in the middle of an entry when the wait ends must not have its second half judged */
        if (!reached(entry->until_ms, tap_ms + TAPSIG_SILENCE_MS)) {
            entry->until_ms = tap_ms + TAPSIG_SILENCE_MS;
        }
        break;
    default:
        break;
    }
    entry->last_ms = tap_ms;
    return verdict;
}
