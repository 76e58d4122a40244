#include "judge.h"

#define MOST_DOUBTS 3

void tapsig_judge_init(tapsig_judge *judge)
{
    tapsig_entry_init(&judge->entry);
    tapsig_evidence_init(&judge->evidence);
    tapsig_compare_begin(&judge->comparing, 0, 0);
}

static bool listens(const tapsig_judge *judge, const tapsig_judge_config *config)
{
    const uint8_t state = judge->entry.state;
    return state == TAPSIG_AWAKE || state == TAPSIG_ENTERING || (state == TAPSIG_ASLEEP && config->entry.wake_taps == 0);
}

void tapsig_judge_push(tapsig_judge *judge, const tapsig_judge_config *config, const tapsig_candidate *candidate)
{
    if (candidate->score >= config->evidence.likely_score) {
        /* Candidates that overlap may come in another order than their onsets. */
        const bool later = judge->entry.state == TAPSIG_ASLEEP
                           || (int32_t)(candidate->block - judge->entry.last_ms) > 0;
        tapsig_entry_push(&judge->entry, &config->entry, later ? candidate->block : judge->entry.last_ms);
    }
    if (listens(judge, config)) {
        tapsig_evidence_push(&judge->evidence, &config->evidence, candidate);
    }
}

/* Of no taps at all. It doubles, trebles and quadruples with wrong entries in a row that make the machine wait: they may
 * come from rain or an engine, whose weak series then are none, and no failure either. */
static int16_t find_prior(const tapsig_judge *judge, const tapsig_judge_config *config)
{
    const uint16_t failures = judge->entry.failures, free_failures = config->entry.free_failures;
    const uint16_t beyond = (uint16_t)(failures > free_failures ? failures - free_failures : 0);
    const int16_t times = (int16_t)(1 + (beyond < MOST_DOUBTS ? beyond : MOST_DOUBTS));
    return (int16_t)(config->evidence.no_taps * times);
}

bool tapsig_judge_tick(tapsig_judge *judge, const tapsig_judge_config *config, uint32_t block)
{
    tapsig_entry_advance(&judge->entry, &config->entry, block);
    if (!judge->evidence.over && tapsig_evidence_tick(&judge->evidence, &config->evidence, block)) {
        tapsig_compare_begin(&judge->comparing, find_prior(judge, config), 0);
    }
    return judge->evidence.over;
}

/* A code that is less likely than no taps at all is none, however low the threshold. */
static uint8_t find_verdict(const tapsig_comparison *found, const tapsig_judge_config *config)
{
    if (config->code_length == 0) {
        return found->other > found->no_taps ? TAPSIG_UNJUDGED : TAPSIG_NO_VERDICT;
    }
    if (found->code > found->no_taps && (int32_t)found->code - found->other >= config->least_ratio) {
        return TAPSIG_ACCEPTED;
    }
    if (found->code > found->other) {
        return TAPSIG_VOID; /* in doubt: no failure */
    }
    if (found->other == found->no_taps) {
        return TAPSIG_NO_VERDICT;
    }
    return found->other_digits == config->code_length ? TAPSIG_WRONG : TAPSIG_VOID;
}

bool tapsig_judge_rests(uint32_t block)
{
    return (block & 7) == 0;
}

uint8_t tapsig_judge_step(tapsig_judge *judge, const tapsig_judge_config *config)
{
    if (judge->comparing.tempo < TAPSIG_TEMPOS && judge->evidence.stop > judge->evidence.first) {
        tapsig_compare_step(&judge->comparing, &judge->evidence, &config->evidence, config->code, config->code_length,
                            TAPSIG_TEMPOS, 0);
        return TAPSIG_NO_VERDICT; /* the next step has enough to do with the verdict */
    }
    const uint8_t verdict = find_verdict(&judge->comparing.result, config);
    tapsig_evidence_next(&judge->evidence, &config->evidence);
    tapsig_entry_settle(&judge->entry, &config->entry, verdict);
    if (!listens(judge, config)) {
        tapsig_evidence_init(&judge->evidence);
    }
    return verdict;
}
