#include "tap.h"

#include "fixed.h"

#define APART 10     /* blocks from one trigger to the next */
#define ORIGIN 64    /* what is added to a difference of levels, to fit a byte */

void tapsig_tap_init(tapsig_tap *tap)
{
    *tap = (tapsig_tap){0};
    tapsig_blocks_init(&tap->blocks);
    tapsig_levels_init(&tap->levels);
}

/* Place of a block, counted from the trigger, in the ring of levels. */
static uint8_t place_of(const tapsig_tap *tap, int8_t after_trigger)
{
    return (uint8_t)((uint8_t)tap->pending[0] + after_trigger) & (TAPSIG_BLOCKS_KEPT - 1);
}

static uint8_t level_at(const tapsig_tap *tap, uint8_t channel, int8_t after_trigger)
{
    return tap->levels.level[channel][place_of(tap, after_trigger)];
}

/* Blocks up to the end of the ring, `size` at most; the others go on at its start. */
static uint8_t size_to_end(uint8_t place, uint8_t size)
{
    const uint8_t left = (uint8_t)(TAPSIG_BLOCKS_KEPT - place);
    return size < left ? size : left;
}

static uint8_t find_highest(const uint8_t *levels, uint8_t size, uint8_t highest)
{
    for (; size > 0; size--) {
        const uint8_t level = *levels++;
        highest = level > highest ? level : highest;
    }
    return highest;
}

static uint16_t sum_levels(const uint8_t *levels, uint8_t size, uint16_t total)
{
    for (; size > 0; size--) {
        total = (uint16_t)(total + *levels++);
    }
    return total;
}

/* Highest level of the blocks from `first` to before `stop`, counted from the trigger. */
static uint8_t highest_of(const tapsig_tap *tap, uint8_t channel, int8_t first, int8_t stop)
{
    const uint8_t *levels = tap->levels.level[channel];
    const uint8_t place = place_of(tap, first);
    const uint8_t size = (uint8_t)(stop - first);
    const uint8_t part = size_to_end(place, size);
    return find_highest(levels, (uint8_t)(size - part), find_highest(levels + place, part, 0));
}

static uint16_t sum_of(const tapsig_tap *tap, uint8_t channel, int8_t first, uint8_t size)
{
    const uint8_t *levels = tap->levels.level[channel];
    const uint8_t place = place_of(tap, first);
    const uint8_t part = size_to_end(place, size);
    return sum_levels(levels, (uint8_t)(size - part), sum_levels(levels + place, part, 0));
}

static uint8_t difference(uint8_t one, uint8_t other)
{
    if (one >= other) {
        const uint8_t above = (uint8_t)(one - other);
        return (uint8_t)(above < UINT8_MAX - ORIGIN ? above + ORIGIN : UINT8_MAX);
    }
    const uint8_t below = (uint8_t)(other - one);
    return (uint8_t)(below < ORIGIN ? ORIGIN - below : 0);
}

static void measure_peak(tapsig_tap *tap, uint8_t channel)
{
    tap->highest[channel] = highest_of(tap, channel, -2, 13);
    tap->before[channel] = highest_of(tap, channel, -34, -6);
}

/* The mean of the 32 blocks before, and how the last eight of them differ from the first sixteen. */
static void measure_before(tapsig_tap *tap, uint8_t channel)
{
    const uint16_t sum_16 = sum_of(tap, channel, -37, 16);
    const uint16_t sum_24 = (uint16_t)(sum_16 + sum_of(tap, channel, -21, 8));
    const uint16_t sum_last_8 = sum_of(tap, channel, -13, 8);
    tap->mean_before[channel] = (uint8_t)((sum_24 + sum_last_8) >> 5);
    tap->change_before[channel] = difference((uint8_t)(sum_last_8 >> 3), (uint8_t)(sum_16 >> 4));
}

/* How one channel rises and falls, by its peak and the onset. */
static void describe_channel(tapsig_tap *tap, uint8_t channel)
{
    uint8_t *row = tap->candidate.row + 6 * channel;
    const uint8_t highest = tap->highest[channel];
    row[0] = difference(highest, tap->before[channel]);
    row[1] = difference(highest, tap->mean_before[channel]);
    row[2] = difference(highest, (uint8_t)(sum_of(tap, channel, (int8_t)(tap->onset + 6), 4) >> 2));
    row[3] = difference(highest, (uint8_t)(sum_of(tap, channel, 13, 8) >> 3));
    row[4] = difference(highest, highest_of(tap, channel, 13, 21));
    row[5] = tap->change_before[channel];
}

/* Onset of the candidate, back from its peak in the channel that rises most. */
static void find_onset(tapsig_tap *tap)
{
    const int16_t rise = (int16_t)(tap->highest[TAPSIG_INNOVATION] - tap->before[TAPSIG_INNOVATION]);
    const int16_t rise_fast = (int16_t)(tap->highest[TAPSIG_FAST] - tap->before[TAPSIG_FAST]);
    const uint8_t channel = rise_fast > rise ? TAPSIG_FAST : TAPSIG_INNOVATION;
    const uint8_t highest = tap->highest[channel];
    int8_t peak = -2;
    while (level_at(tap, channel, peak) != highest) {
        peak++;
    }
    const int16_t before = (int16_t)(highest_of(tap, channel, -34, -8) + 8);
    const int16_t limit = (int16_t)(highest - 16);
    const int16_t least = (int16_t)(highest - 53);
    const int16_t clear = before < limit ? before : limit;
    const int16_t mark = clear > least ? clear : least;
    int8_t onset = peak;
    uint8_t gap = 0;
    for (int8_t i = (int8_t)(peak - 1); i >= -8 && gap < 4; i--) {
        if (level_at(tap, channel, i) >= mark) {
            onset = i;
            gap = 0;
        } else {
            gap++;
        }
    }
    tap->onset = onset;
}

static void describe_background(const tapsig_tap *tap, uint8_t *row)
{
    for (uint8_t channel = 0; channel < TAPSIG_TRACKED; channel++) {
        const tapsig_background *background = &tap->levels.background[channel];
        const uint8_t highest = tap->highest[channel];
        *row++ = difference(highest, (uint8_t)(background->quietest >> 8));
        *row++ = difference(highest, (uint8_t)(background->mean_1s >> 8));
        *row++ = difference(highest, (uint8_t)(background->mean_8s >> 8));
        *row++ = difference(highest, (uint8_t)(background->fading >> 8));
    }
}

enum { SINCE_LAST = 6 * TAPSIG_CHANNELS + 4 * TAPSIG_TRACKED, OVER_LAST, BUSY };

/* Of the candidate before; 255 where there was none. */
static void describe_time_since(tapsig_tap *tap)
{
    tap->candidate.row[SINCE_LAST] = tap->any ? tapsig_level(tap->pending[0] - tap->last_trigger) : UINT8_MAX;
}

static void describe_rest(tapsig_tap *tap, const tapsig_tap_config *config)
{
    const uint8_t highest = tap->highest[TAPSIG_INNOVATION];
    describe_background(tap, tap->candidate.row + 6 * TAPSIG_CHANNELS);
    tap->candidate.row[OVER_LAST] = tap->any ? difference(highest, tap->last_level) : UINT8_MAX;
    tap->candidate.row[BUSY] = (uint8_t)(tap->busy_q8 >> 8);
    tap->candidate.block = tap->pending[0] - 8 + (uint8_t)(tap->onset + 8); /* an onset lies at most 8 blocks before */
    tap->candidate.score = config->trees.base;
    tap->tree = 0;
    tap->any = true;
    tap->last_trigger = tap->pending[0];
    tap->last_level = highest;
    tap->busy_q8 = (uint16_t)(tap->busy_q8 + (((UINT16_MAX - tap->busy_q8) >> 4)));
}

static uint8_t judge(tapsig_tap *tap, const tapsig_tap_config *config)
{
    tap->candidate.age = (uint8_t)(tap->levels.block - tap->candidate.block);
    if (tap->candidate.score < config->least_score) {
        return TAPSIG_UNLIKELY;
    }
    if (tap->highest[TAPSIG_INNOVATION] < config->least_level) {
        return TAPSIG_TOO_WEAK;
    }
    /* A candidate that is decided later may have the earlier onset. */
    const uint32_t after = tap->candidate.block - tap->last_tap;
    const uint32_t before = tap->last_tap - tap->candidate.block;
    if (tap->tapped && (after < config->dead_ms || before < config->dead_ms)) {
        return TAPSIG_IN_DEAD_TIME;
    }
    tap->tapped = true;
    tap->last_tap = tap->candidate.block;
    return TAPSIG_IS_TAP;
}

/* Judging takes a stage in each block, so that none has much to do; at most APART of them, so that none is waited for.
 * The first two leave `candidate` alone: where a sample makes three blocks, it may just have been judged. */
enum {
    MEASURE_PEAKS,
    FIND_ONSET,
    DESCRIBE,
    DESCRIBE_REST,
    JUDGE = TAPSIG_DESCRIBED + TAPSIG_TREE_STAGES, /* alone, because what follows the detector works then */
    STAGES
};
typedef char tapsig_stages_fit_between_triggers[STAGES <= APART ? 1 : -1];

static void describe(tapsig_tap *tap, const tapsig_tap_config *config, uint8_t stage)
{
    switch (stage) {
    case MEASURE_PEAKS:
        measure_peak(tap, TAPSIG_INNOVATION);
        measure_before(tap, TAPSIG_INNOVATION);
        measure_peak(tap, TAPSIG_SIGNAL);
        break;
    case FIND_ONSET:
        measure_peak(tap, TAPSIG_FAST);
        find_onset(tap);
        break;
    case DESCRIBE:
        describe_channel(tap, TAPSIG_INNOVATION);
        measure_before(tap, TAPSIG_FAST);
        describe_channel(tap, TAPSIG_FAST);
        describe_time_since(tap);
        break;
    default:
        describe_rest(tap, config);
        measure_before(tap, TAPSIG_SIGNAL);
        describe_channel(tap, TAPSIG_SIGNAL);
        break;
    }
}

static uint8_t advance(tapsig_tap *tap, const tapsig_tap_config *config)
{
    const uint8_t stage = tap->stage++;
    if (stage < TAPSIG_DESCRIBED) {
        describe(tap, config, stage);
        return TAPSIG_NOTHING;
    }
    if (stage < JUDGE) {
        const uint8_t most = (uint8_t)(stage == JUDGE - 1 ? UINT8_MAX : config->trees_a_stage);
        const int16_t added = tapsig_trees_add(&config->trees, tap->candidate.row, &tap->tree, most);
        tap->candidate.score = (int16_t)(tap->candidate.score + added);
        return TAPSIG_NOTHING;
    }
    tap->stage = 0;
    tap->pending_count--;
    for (uint8_t i = 0; i < tap->pending_count; i++) {
        tap->pending[i] = tap->pending[i + 1];
    }
    return judge(tap, config);
}

static bool rises(const tapsig_levels *levels, uint8_t channel, uint8_t rise)
{
    const uint8_t level = levels->level[channel][(levels->block - 1) & (TAPSIG_BLOCKS_KEPT - 1)];
    return level >= levels->reference[channel] + rise
        && level >= (levels->background[channel].quietest >> 8) + TAPSIG_FAINT;
}

uint8_t tapsig_tap_follow(tapsig_tap *tap, const tapsig_tap_config *config)
{
    const tapsig_levels *levels = &tap->levels;
    uint8_t verdict = TAPSIG_NOTHING;
    if ((levels->block & 63) == 0) {
        tap->busy_q8 = (uint16_t)(tap->busy_q8 - (tap->busy_q8 >> 6)); /* 4 s */
    }
    if (tap->pending_count > 0 && (tap->stage > 0 || (uint8_t)(levels->block - tap->pending[0]) > TAPSIG_AFTER)) {
        verdict = advance(tap, config);
    }
    if (tap->apart > 0) {
        tap->apart--;
    } else if (levels->settled
               && (rises(levels, TAPSIG_INNOVATION, TAPSIG_RISE_INNOVATION) || rises(levels, TAPSIG_FAST, TAPSIG_RISE_FAST))) {
        tap->pending[tap->pending_count++] = levels->block - 1;
        tap->apart = APART - 1;
    }
    return verdict;
}

uint8_t tapsig_tap_take(tapsig_tap *tap, const tapsig_tap_config *config, const uint16_t *counts, uint16_t size,
                        uint16_t *used)
{
    uint8_t verdict = TAPSIG_NOTHING;
    uint16_t taken = 0;
    while (taken < size && verdict == TAPSIG_NOTHING) {
        uint8_t left;
        taken = (uint16_t)(taken + tapsig_blocks_take(&tap->blocks, &config->rate, counts + taken,
                                                      (uint16_t)(size - taken), &left));
        for (; left > 0; left--) {
            tapsig_blocks_next(&tap->blocks, &config->rate);
            tapsig_levels_push(&tap->levels, &tap->blocks, &config->rate, config->order);
            const uint8_t decided = tapsig_tap_follow(tap, config);
            verdict = decided == TAPSIG_NOTHING ? verdict : decided;
        }
    }
    *used = taken;
    return verdict;
}

uint8_t tapsig_tap_push(tapsig_tap *tap, const tapsig_tap_config *config, uint16_t count)
{
    uint16_t used;
    return tapsig_tap_take(tap, config, &count, 1, &used);
}

bool tapsig_tap_has_time(const tapsig_tap *tap)
{
    return tap->stage == 0;
}

uint16_t tapsig_tap_onset_age(const tapsig_tap *tap, const tapsig_tap_config *config)
{
    const uint32_t age_q8 = (uint32_t)tap->candidate.age * config->rate.per_block_q8;
    return (uint16_t)((age_q8 - 256 + 128) >> 8); /* the count that decided it is the last of its block */
}
