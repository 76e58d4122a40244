#include "entry.h"

static void clear_entry(tapsig_entry *entry)
{
    entry->digit_count = 0;
    entry->digit = 0;
    entry->same = true;
    entry->possible = true;
    entry->rhythm_sum_ms = 0;
    entry->rhythm_count = 0;
}

void tapsig_entry_init(tapsig_entry *entry)
{
    *entry = (tapsig_entry){0};
    clear_entry(entry);
}

/* Whether `now_ms` is at or after `then_ms`, on a clock that wraps. */
static bool reached(uint32_t now_ms, uint32_t then_ms)
{
    return (uint32_t)(now_ms - then_ms) < UINT32_C(0x80000000);
}

/* sum x percent / (100 x count), rounded down, in 32 bits: the whole part of the mean gap and the rest apart. Divides,
 * but only after a tap. */
uint32_t tapsig_entry_pause_ms(const tapsig_entry *entry, const tapsig_entry_config *config)
{
    const uint32_t percent = config->tolerance_percent;
    const uint32_t count = entry->rhythm_count;
    if (percent == 0 || count == 0) {
        return config->digit_pause_ms;
    }
    const uint32_t mean = entry->rhythm_sum_ms / count;
    const uint32_t rest = entry->rhythm_sum_ms % count;
    if (mean > config->longest_pause_ms * 100 / percent) {
        return config->longest_pause_ms;
    }
    const uint32_t whole = mean * percent; /* at most 100 x an hour */
    const uint32_t pause = whole / 100 + (whole % 100 * count + rest * percent) / (100 * count);
    return pause < config->least_pause_ms      ? config->least_pause_ms
           : pause > config->longest_pause_ms ? config->longest_pause_ms
                                              : pause;
}

uint32_t tapsig_entry_wait_ms(const tapsig_entry_config *config, uint16_t failures)
{
    uint32_t wait = config->wait_ms;
    if (failures <= config->free_failures || wait == 0) {
        return 0;
    }
    for (uint16_t i = (uint16_t)(failures - config->free_failures); i > 1 && config->wait_factor > 1; i--) {
        if (wait > config->wait_limit_ms / config->wait_factor) {
            return config->wait_limit_ms;
        }
        wait *= config->wait_factor;
    }
    return wait > config->wait_limit_ms ? config->wait_limit_ms : wait;
}

/* What has had 65535 gaps, or their sum no room, has learnt enough. */
static void learn_rhythm(tapsig_entry *entry, uint32_t gap_ms)
{
    if (entry->rhythm_count < UINT16_MAX && entry->rhythm_sum_ms + gap_ms >= gap_ms) {
        entry->rhythm_sum_ms += gap_ms;
        entry->rhythm_count++;
    }
}

/* The last digit is over: compare it with the code's. */
static void close_digit(tapsig_entry *entry, const tapsig_entry_config *config)
{
    if (entry->digit_count == 0) {
        return;
    }
    entry->possible = entry->possible && entry->digit <= config->digit_max;
    entry->same = entry->same && entry->digit_count <= config->code_length
                  && entry->digit == config->code[entry->digit_count - 1];
}

static void next_digit(tapsig_entry *entry, const tapsig_entry_config *config)
{
    close_digit(entry, config);
    if (entry->digit_count < UINT16_MAX) {
        entry->digit_count++;
    }
    entry->digit = 1;
}

static uint8_t judge_entry(tapsig_entry *entry, const tapsig_entry_config *config)
{
    close_digit(entry, config);
    if (config->code_length == 0) {
        return TAPSIG_UNJUDGED;
    }
    if (entry->digit_count != config->code_length || !entry->possible) {
        return TAPSIG_VOID;
    }
    return entry->same ? TAPSIG_ACCEPTED : TAPSIG_WRONG;
}

void tapsig_entry_settle(tapsig_entry *entry, const tapsig_entry_config *config, uint8_t verdict)
{
    if (verdict == TAPSIG_ACCEPTED) {
        entry->failures = 0;
    } else if (verdict == TAPSIG_WRONG) {
        if (entry->failures < UINT16_MAX) {
            entry->failures++;
        }
        const uint32_t wait = tapsig_entry_wait_ms(config, entry->failures);
        if (entry->failures == config->failure_limit) {
            entry->state = TAPSIG_LOCKED;
        } else if (wait > 0) {
            entry->state = TAPSIG_WAITING;
            entry->until_ms = entry->last_ms + config->silence_ms + wait;
        }
    }
}

static uint8_t end_entry(tapsig_entry *entry, const tapsig_entry_config *config)
{
    const uint8_t verdict = judge_entry(entry, config);
    entry->state = TAPSIG_AWAKE;
    tapsig_entry_settle(entry, config, verdict);
    clear_entry(entry);
    return verdict;
}

uint8_t tapsig_entry_advance(tapsig_entry *entry, const tapsig_entry_config *config, uint32_t now_ms)
{
    uint8_t verdict = TAPSIG_NO_VERDICT;
    if (entry->state == TAPSIG_ENTERING && reached(now_ms, entry->last_ms + config->silence_ms)) {
        verdict = end_entry(entry, config);
    }
    if (entry->state == TAPSIG_WAKING
        && reached(now_ms, entry->last_ms + tapsig_entry_pause_ms(entry, config) + 1)) {
        entry->state = entry->wake_count >= config->wake_taps ? TAPSIG_AWAKE : TAPSIG_ASLEEP;
        if (entry->state == TAPSIG_ASLEEP) {
            clear_entry(entry);
        }
    }
    if (entry->state == TAPSIG_WAITING && reached(now_ms, entry->until_ms)) {
        entry->state = TAPSIG_AWAKE;
    }
    if (entry->state == TAPSIG_AWAKE && reached(now_ms, entry->last_ms + config->awake_ms)) {
        entry->state = TAPSIG_ASLEEP;
        clear_entry(entry);
    }
    return verdict;
}

uint8_t tapsig_entry_push(tapsig_entry *entry, const tapsig_entry_config *config, uint32_t tap_ms)
{
    const uint8_t verdict = tapsig_entry_advance(entry, config, tap_ms);
    const uint32_t gap_ms = tap_ms - entry->last_ms;
    switch (entry->state) {
    case TAPSIG_ASLEEP:
        if (config->wake_taps > 0) {
            entry->state = TAPSIG_WAKING;
            entry->wake_count = 1;
        } else {
            entry->state = TAPSIG_ENTERING;
            next_digit(entry, config);
        }
        break;
    case TAPSIG_WAKING:
        if (entry->wake_count < UINT8_MAX) {
            entry->wake_count++;
        }
        learn_rhythm(entry, gap_ms);
        break;
    case TAPSIG_AWAKE:
        entry->state = TAPSIG_ENTERING;
        next_digit(entry, config);
        break;
    case TAPSIG_ENTERING:
        if (gap_ms > tapsig_entry_pause_ms(entry, config)) {
            next_digit(entry, config);
        } else {
            if (entry->digit < UINT16_MAX) {
                entry->digit++;
            }
            learn_rhythm(entry, gap_ms);
        }
        break;
    case TAPSIG_WAITING:
        /* A hand in the middle of an entry when the wait ends must not have its second half judged. */
        if (!reached(entry->until_ms, tap_ms + config->silence_ms)) {
            entry->until_ms = tap_ms + config->silence_ms;
        }
        break;
    default:
        break;
    }
    entry->last_ms = tap_ms;
    return verdict;
}
