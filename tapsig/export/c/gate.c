/* ---- the gate: two sums of trees, and the history of candidates between them ---- */

#define REMEMBERED 64
#define LEAF 255
#define SCORE_LIMIT 32767
#define COMPARED TAPSIG_COMPARED
#define LARGEST_SHAPE 32767
#define A_HUNDREDTH 10486 /* of one, Q20 */
#define A_THIRD_OR_SO 307 /* .3, Q10 */
#define OVER_NOISE TAPSIG_OVER_NOISE
#define LEVEL TAPSIG_LEVEL
#define HISTORY TAPSIG_FEATURES

static int16_t sum_trees(const tree_node *nodes, const uint16_t *roots, uint16_t count, int32_t base,
                         const int32_t *row)
{
    int64_t total = base;
    for (uint16_t i = 0; i < count; i++) {
        const tree_node *node = &nodes[roots[i]];
        while (node->feature != LEAF) {
            node += row[node->feature] <= node->threshold ? 1 : node->right;
        }
        total += node->threshold;
    }
    return (int16_t)saturate(total, SCORE_LIMIT);
}

static int32_t floor_divide(int64_t value, int64_t divisor)
{
    const int64_t quotient = value / divisor;
    return (int32_t)(quotient * divisor > value ? quotient - 1 : quotient);
}

static int32_t likely_q10(int16_t score)
{
    const int32_t held = score > 8191 ? 8191 : score < -8192 ? -8192 : score;
    return likely_table[(held + 8192) >> 6];
}

static void measure_shape(const int32_t *row, int16_t *shape)
{
    for (uint8_t j = 0; j < COMPARED; j++) {
        const int32_t held = (int32_t)saturate(row[compared[j]], largest[j]);
        shape[j] = (int16_t)saturate(shift_down((int64_t)held * per_unit_q12[j], 12), LARGEST_SHAPE);
    }
}

static uint32_t unlikeness(const int16_t *one, const int16_t *other)
{
    uint32_t total = 0;
    for (uint8_t j = 0; j < COMPARED; j++) {
        const int32_t difference = (int32_t)one[j] - other[j];
        total += (uint32_t)(difference < 0 ? -difference : difference);
    }
    return total < TAPSIG_UNLIKEST ? total : TAPSIG_UNLIKEST;
}

/* the square of the share of `reach` that is left, Q10 */
static int32_t nearness(uint32_t unlike, uint32_t reach, uint8_t bits)
{
    const uint32_t left = unlike < reach ? reach - unlike : 0;
    return (int32_t)((left * left) >> bits);
}

static int16_t log_odds(int32_t alike, int32_t others)
{
    return (int16_t)(log2_q8((uint64_t)alike + A_HUNDREDTH) - log2_q8((uint64_t)others + A_HUNDREDTH));
}

static void remember(tapsig_history *history, const int32_t *row, uint32_t trigger, int16_t score)
{
    const uint8_t k = history->seen & (REMEMBERED - 1);
    history->block[k] = trigger;
    history->level[k] = (int16_t)row[LEVEL];
    history->score[k] = score;
    measure_shape(row, history->shapes[k]);
    history->seen = history->seen == 2 * REMEMBERED - 1 ? REMEMBERED : (uint8_t)(history->seen + 1);
}

static void fill_history(const tapsig_history *history, int32_t *row, uint32_t trigger, uint32_t alive, int16_t score)
{
    int32_t *out = row + HISTORY;
    const int32_t level = row[LEVEL];
    const uint8_t count = history->seen < REMEMBERED ? history->seen : REMEMBERED;
    int32_t best = -12288;
    uint8_t best_k = REMEMBERED;
    int32_t taps_4s = 0, others_4s = 0, taps_30s = 0, others_30s = 0, loud_others_30s = 0;
    int32_t alike = 0, alike_others = 0, closely = 0, closely_others = 0;
    uint32_t best_unlike = TAPSIG_UNLIKEST, nearest = TAPSIG_UNLIKEST;
    int64_t level_4s = 0, mean_score = 0;
    int64_t sums[COMPARED] = {0};
    int16_t own[COMPARED];
    uint8_t mean_count = 0;
    uint32_t first_gap = 0, second_gap = 0;
    measure_shape(row, own);
    for (uint8_t j = 0; j < count; j++) {
        const uint8_t k = (uint8_t)((history->seen - 1 - j) & (REMEMBERED - 1));
        const uint32_t age = trigger - history->block[k];
        const int32_t likely = likely_q10(history->score[k]);
        if (j < 16) {
            mean_score += history->score[k] > -8192 ? history->score[k] : -8192;
            mean_count++;
        }
        if (age > 30000) {
            break;
        }
        if (age < 80) {
            continue;
        }
        if (likely > 307) {
            if (first_gap == 0) {
                first_gap = age;
            } else if (second_gap == 0 && age - first_gap >= 80) {
                second_gap = age - first_gap;
            }
        }
        const uint32_t unlike = unlikeness(history->shapes[k], own);
        if (age <= 700 && history->score[k] > best) {
            best = history->score[k];
            best_k = k;
            best_unlike = unlike;
        }
        if (age <= 4000) {
            taps_4s += likely;
            others_4s += 1024 - likely;
            level_4s += (int64_t)likely * history->level[k];
        }
        taps_30s += likely;
        others_30s += 1024 - likely;
        if (history->level[k] >= level - SIX_DB) {
            loud_others_30s += 1024 - likely;
        }
        const int32_t near = nearness(unlike, TAPSIG_ALIKE, TAPSIG_ALIKE_BITS);
        const int32_t nearer = nearness(unlike, TAPSIG_CLOSELY, TAPSIG_CLOSELY_BITS);
        alike += likely * near;
        alike_others += (1024 - likely) * near;
        closely += likely * nearer;
        closely_others += (1024 - likely) * nearer;
        if (likely > 512 && unlike < nearest) {
            nearest = unlike;
        }
        for (uint8_t i = 0; i < COMPARED; i++) {
            sums[i] += (int32_t)likely * history->shapes[k][i];
        }
    }
    out[0] = score;
    out[1] = best;
    out[2] = 13 * 256;
    out[3] = 0;
    out[4] = (int32_t)best_unlike;
    if (best_k < REMEMBERED) {
        out[2] = log2_q8(trigger - history->block[best_k]);
        out[3] = level - history->level[best_k];
    }
    out[5] = taps_4s >> 2;
    out[6] = others_4s >> 2;
    out[7] = taps_4s > 51 ? level - floor_divide(level_4s, taps_4s) : 0;
    out[8] = taps_30s >> 2;
    out[9] = others_30s >> 2;
    out[10] = loud_others_30s >> 2;
    out[11] = mean_count > 0 ? floor_divide(mean_score, mean_count) : 0;
    out[12] = 4 * 256;
    if (second_gap > 0) {
        const int32_t beat = log2_q8(first_gap) - log2_q8(second_gap);
        out[12] = beat < 0 ? -beat : beat;
    }
    out[13] = level - row[OVER_NOISE];
    out[14] = log2_q8(alive + 1);
    out[15] = log_odds(alike, alike_others);
    out[16] = log_odds(closely, closely_others);
    out[17] = (int32_t)nearest;
    for (uint8_t j = 0; j < COMPARED; j++) {
        const int64_t off = (int64_t)own[j] * taps_30s - sums[j];
        out[TAPSIG_HISTORY - COMPARED + j] = floor_divide(off, taps_30s + A_THIRD_OR_SO);
    }
}

static void core_init(tapsig_core *core)
{
    memset(core, 0, sizeof *core);
    core->settling = SETTLING + 1;
    core->gain_bit = 4;
    core->since = UINT32_MAX / 2;
}

/* the score of the candidate whose features stand in core->features */
static int16_t judge_candidate(tapsig_core *core, uint32_t trigger)
{
    int32_t row[TAPSIG_FEATURES + TAPSIG_HISTORY];
    for (uint8_t i = 0; i < TAPSIG_FEATURES; i++) {
        row[i] = core->features[i];
    }
    const uint32_t age = core->alive - 1 - AFTER;
    const int16_t first = sum_trees(first_nodes, first_roots, TAPSIG_FIRST_TREES, TAPSIG_FIRST_BASE, row);
    int16_t score = first;
    if (first >= TAPSIG_HOPELESS) {
        fill_history(&core->candidates, row, trigger, age < 8000 ? age : 8000, first);
        score = sum_trees(second_nodes, second_roots, TAPSIG_SECOND_TREES, TAPSIG_SECOND_BASE, row);
    }
    remember(&core->candidates, row, trigger, TAPSIG_REMEMBER_LOWER && score < first ? score : first);
    return score;
}

static bool core_push(tapsig_core *core, uint16_t count, uint16_t *onset_age)
{
    uint32_t onset = 0;
    if (core->since < UINT32_MAX / 2) {
        core->since++;
    }
    if (!run_core(core, count, &onset)) {
        return false;
    }
    core->score = judge_candidate(core, core->block - 1 - AFTER);
    const uint32_t age = core->sample - 1 - onset;
    if (core->features[LEVEL] < TAPSIG_LEAST_LEVEL || core->score < TAPSIG_LEAST_SCORE ||
        core->since + core->last_age < TAPSIG_DEAD_SAMPLES + age) {
        return false;
    }
    core->since = 0;
    core->last_age = age;
    *onset_age = (uint16_t)age;
    return true;
}

static int32_t core_probe(const tapsig_core *core)
{
    return core->score;
}
