#include "evidence.h"

#include "context.h"
#include "fixed.h"

#define OLDEST_MS 60000    /* the times of candidates are kept in 16 bits */

void tapsig_evidence_init(tapsig_evidence *evidence)
{
    evidence->newest = 0;
    evidence->last_likely = 0;
    evidence->count = 0;
    evidence->first = 0;
    evidence->stop = 0;
    evidence->highest = 0;
    evidence->open = false;
    evidence->over = false;
    for (uint8_t i = 0; i < TAPSIG_KEPT; i++) {
        evidence->order[i] = i;
    }
}

static uint16_t time_of(const tapsig_evidence *evidence, uint8_t index)
{
    return evidence->time[evidence->order[index]];
}

static uint32_t block_of(const tapsig_evidence *evidence, uint8_t index)
{
    return evidence->newest - (uint16_t)((uint16_t)evidence->newest - time_of(evidence, index));
}

/* Remove `size` candidates from `at` on: the places of those that follow and of those removed change over, one by one. */
static void remove_candidates(tapsig_evidence *evidence, uint8_t at, uint8_t size)
{
    uint8_t *to = evidence->order + at, *from = to + size;
    evidence->count = (uint8_t)(evidence->count - size);
    for (uint8_t left = size > 0 ? (uint8_t)(evidence->count - at) : 0; left > 0; left--) {
        const uint8_t freed = *to;
        *to++ = *from;
        *from++ = freed;
    }
    if (at < evidence->first) {
        evidence->first = (uint8_t)(evidence->first - size);
    }
    if (evidence->over && at < evidence->stop) {
        evidence->stop = (uint8_t)(evidence->stop - size);
    }
}

/* Whether a likely candidate keeps open the entry that it is in. */
static bool keeps_open(tapsig_evidence *evidence, const tapsig_evidence_config *config, uint8_t odds)
{
    if (odds > evidence->highest) {
        evidence->highest = odds;
    }
    return (uint8_t)(evidence->highest - odds) <= config->open_span;
}

/* Open where a likely candidate is; the last of those that follow each other within the silence. */
static void find_likely(tapsig_evidence *evidence, const tapsig_evidence_config *config)
{
    const uint8_t likely = tapsig_odds_of(config->likely_score);
    evidence->open = false;
    evidence->highest = 0;
    for (uint8_t i = 0; i < evidence->count; i++) {
        const uint8_t odds = evidence->odds[evidence->order[i]];
        if (odds < likely) {
            continue;
        }
        const uint32_t block = block_of(evidence, i);
        if (evidence->open && block - evidence->last_likely >= config->silence_ms) {
            break;
        }
        evidence->first = evidence->open ? evidence->first : i;
        evidence->open = true;
        if (keeps_open(evidence, config, odds)) {
            evidence->last_likely = block;
        }
    }
}

/* What lies so far back that no entry can begin with it. True where the entry that goes on lost its beginning. */
static bool forget_old(tapsig_evidence *evidence, const tapsig_evidence_config *config, uint32_t block)
{
    const uint32_t longest = evidence->open ? OLDEST_MS : config->lead_ms + 2 * TAPSIG_DECISION_MS;
    uint8_t old = 0;
    if ((int32_t)(block - evidence->newest) > (int32_t)longest) {
        old = evidence->count;
    }
    while (old < evidence->count && (int32_t)(block - block_of(evidence, old)) > (int32_t)longest) {
        old++;
    }
    remove_candidates(evidence, 0, old);
    return evidence->open && old > 0;
}

/* The least likely that may make room, an entry that awaits its verdict stays whole; TAPSIG_KEPT where all are likelier. */
static uint8_t find_least(const tapsig_evidence *evidence, uint8_t odds)
{
    const uint8_t *odds_of = evidence->odds, *next = evidence->order + (evidence->over ? evidence->stop : 0);
    uint8_t least_left = 0; /* counted from behind: with pointers this takes a third of the time of indices */
    for (uint8_t left = (uint8_t)(evidence->order + evidence->count - next); left > 0; left--) {
        const uint8_t here = odds_of[*next++];
        if (here < odds) {
            odds = here;
            least_left = left;
        }
    }
    return least_left == 0 ? TAPSIG_KEPT : (uint8_t)(evidence->count - least_left);
}

/* What others are compared with: how the channels of a candidate fall, and how far two of them rise over their quietest.
 * In line, it takes a quarter of the time of a loop over a table. */
static void copy_shape(uint8_t *shape, const uint8_t *row)
{
    shape[0] = row[2];
    shape[1] = row[3];
    shape[2] = row[8];
    shape[3] = row[9];
    shape[4] = row[14];
    shape[5] = row[15];
    shape[6] = row[18];
    shape[7] = row[22];
}

/* Into its place by time, which is returned. */
static uint8_t insert(tapsig_evidence *evidence, const tapsig_candidate *candidate, uint8_t odds)
{
    const uint8_t lowest = evidence->over ? evidence->stop : 0;
    uint8_t at = evidence->count++;
    const uint8_t place = evidence->order[at];
    if (at == 0 || (int32_t)(candidate->block - evidence->newest) > 0) {
        evidence->newest = candidate->block;
    } else {
        while (at > lowest && (int32_t)(block_of(evidence, (uint8_t)(at - 1)) - candidate->block) > 0) {
            evidence->order[at] = evidence->order[at - 1];
            at--;
        }
        evidence->order[at] = place;
    }
    if (at <= evidence->first && evidence->open) {
        evidence->first++;
    }
    evidence->time[place] = (uint16_t)candidate->block;
    evidence->odds[place] = odds;
    copy_shape(evidence->cell[place].shape, candidate->row);
    return at;
}

/* A likely candidate, which lies at `at`: it opens an entry or goes on with one. False where it is earlier than
 * the last likely one, so that all have to be looked at. */
static bool follow_likely(tapsig_evidence *evidence, const tapsig_evidence_config *config, uint8_t at, uint32_t block)
{
    const uint8_t odds = evidence->odds[evidence->order[at]];
    if (!evidence->open) {
        evidence->open = true;
        evidence->first = at;
        evidence->highest = odds;
        evidence->last_likely = block;
        return true;
    }
    if ((int32_t)(block - evidence->last_likely) < 0) {
        return false;
    }
    if (block - evidence->last_likely < config->silence_ms && keeps_open(evidence, config, odds)) {
        evidence->last_likely = block;
    }
    return true;
}

void tapsig_evidence_push(tapsig_evidence *evidence, const tapsig_evidence_config *config,
                          const tapsig_candidate *candidate)
{
    const uint8_t odds = tapsig_odds_of(candidate->score), likely = tapsig_odds_of(config->likely_score);
    bool changed = false;
    if (candidate->score < config->least_score) {
        return;
    }
    const bool full = evidence->count == TAPSIG_KEPT;
    const bool aged = evidence->count > 0 && (int32_t)(candidate->block - block_of(evidence, 0)) > (int32_t)OLDEST_MS / 2;
    if (!evidence->over && (full || aged)) {
        changed = forget_old(evidence, config, candidate->block) || changed;
    }
    if (evidence->count == TAPSIG_KEPT) {
        const uint8_t least = find_least(evidence, odds);
        if (least == TAPSIG_KEPT) {
            return;
        }
        changed = changed || evidence->odds[evidence->order[least]] >= likely;
        remove_candidates(evidence, least, 1);
    }
    const uint8_t at = insert(evidence, candidate, odds);
    if (evidence->over) {
        return;
    }
    if (changed || (odds >= likely && !follow_likely(evidence, config, at, candidate->block))) {
        find_likely(evidence, config);
    }
}

bool tapsig_evidence_tick(tapsig_evidence *evidence, const tapsig_evidence_config *config, uint32_t block)
{
    if (evidence->over || !evidence->open
        || (int32_t)(block - evidence->last_likely - config->silence_ms) < 0) {
        return evidence->over;
    }
    const uint16_t opened = time_of(evidence, evidence->first), last_likely = (uint16_t)evidence->last_likely;
    while (evidence->first > 0
           && (uint16_t)(opened - time_of(evidence, (uint8_t)(evidence->first - 1))) <= config->lead_ms) {
        evidence->first--;
    }
    evidence->stop = evidence->count; /* from behind: hardly any comes later, and the last likely one is among them */
    while ((uint16_t)(time_of(evidence, (uint8_t)(evidence->stop - 1)) - last_likely) >= config->silence_ms) {
        evidence->stop--;
    }
    evidence->over = true;
    return true;
}

void tapsig_evidence_next(tapsig_evidence *evidence, const tapsig_evidence_config *config)
{
    const uint8_t stop = evidence->stop;
    evidence->over = false;
    evidence->first = 0;
    remove_candidates(evidence, 0, stop);
    find_likely(evidence, config);
}
