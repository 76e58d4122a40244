#include "evidence.h"

#include "fixed.h"

#define STEPS_A_NAT_STEP 4 /* of a score in one of a table */
#define OLDEST_MS 60000    /* the times of candidates are kept in 16 bits */

/* Bytes of a candidate's row that neighbours are compared by: how it falls in the fast channel, and how far both channels
 * rise over their quietest. */
static const uint8_t SHAPE_OF[TAPSIG_SHAPE] = {8, 9, 18, 22};

void tapsig_evidence_init(tapsig_evidence *evidence)
{
    evidence->newest = 0;
    evidence->last_likely = 0;
    evidence->count = 0;
    evidence->first = 0;
    evidence->stop = 0;
    evidence->open = false;
    evidence->over = false;
    evidence->calm = 0;
}

static uint32_t block_of(const tapsig_evidence *evidence, uint8_t index)
{
    return evidence->newest - (uint16_t)((uint16_t)evidence->newest - evidence->time[index]);
}

static void copy_candidate(tapsig_evidence *evidence, uint8_t to, uint8_t from)
{
    evidence->time[to] = evidence->time[from];
    evidence->score[to] = evidence->score[from];
    for (uint8_t k = 0; k < TAPSIG_SHAPE; k++) {
        evidence->shape[to][k] = evidence->shape[from][k];
    }
}

/* Remove `size` candidates from `at` on. */
static void remove_candidates(tapsig_evidence *evidence, uint8_t at, uint8_t size)
{
    evidence->count = (uint8_t)(evidence->count - size);
    for (uint8_t i = at; i < evidence->count; i++) {
        copy_candidate(evidence, i, (uint8_t)(i + size));
    }
    if (evidence->over && at < evidence->stop) {
        evidence->stop = (uint8_t)(evidence->stop - size);
    }
}

/* Open where a likely candidate is; the last of those that follow each other within the silence. */
static void find_likely(tapsig_evidence *evidence, const tapsig_evidence_config *config)
{
    evidence->open = false;
    for (uint8_t i = 0; i < evidence->count; i++) {
        if (evidence->score[i] < config->likely_score) {
            continue;
        }
        const uint32_t block = block_of(evidence, i);
        if (evidence->open && block - evidence->last_likely >= config->silence_ms) {
            break;
        }
        evidence->first = evidence->open ? evidence->first : i;
        evidence->open = true;
        evidence->last_likely = block;
    }
}

static void forget_old(tapsig_evidence *evidence, const tapsig_evidence_config *config, uint32_t block)
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
}

/* Make room by what is least likely; an entry that awaits its verdict stays whole. False where the new one is that. */
static bool make_room(tapsig_evidence *evidence, int16_t score)
{
    uint8_t least = TAPSIG_KEPT;
    for (uint8_t i = evidence->over ? evidence->stop : 0; i < evidence->count; i++) {
        if (evidence->score[i] < score) {
            score = evidence->score[i];
            least = i;
        }
    }
    if (least < TAPSIG_KEPT) {
        remove_candidates(evidence, least, 1);
    }
    return least < TAPSIG_KEPT;
}

void tapsig_evidence_push(tapsig_evidence *evidence, const tapsig_evidence_config *config,
                          const tapsig_candidate *candidate)
{
    if (candidate->score < config->least_score) {
        return;
    }
    if (!evidence->over) {
        forget_old(evidence, config, candidate->block);
    }
    if (evidence->count == TAPSIG_KEPT && !make_room(evidence, candidate->score)) {
        return;
    }
    if (evidence->count == 0 || (int32_t)(candidate->block - evidence->newest) > 0) {
        evidence->newest = candidate->block;
    }
    uint8_t at = evidence->count++;
    while (at > (evidence->over ? evidence->stop : 0) && (int32_t)(block_of(evidence, (uint8_t)(at - 1)) - candidate->block) > 0) {
        copy_candidate(evidence, at, (uint8_t)(at - 1));
        at--;
    }
    evidence->time[at] = (uint16_t)candidate->block;
    evidence->score[at] = candidate->score;
    for (uint8_t k = 0; k < TAPSIG_SHAPE; k++) {
        evidence->shape[at][k] = candidate->row[SHAPE_OF[k]];
    }
    if (!evidence->over) {
        find_likely(evidence, config);
    }
}

/* 16 * log2(ms), the fraction linear between octaves: at most 1.4 bins too low. */
static uint8_t bin_of(uint16_t ms)
{
    uint8_t octave = 15;
    while (!(ms & 0x8000)) {
        ms = (uint16_t)(ms << 1);
        octave--;
    }
    return (uint8_t)((octave << 4) | ((ms >> 11) & 15));
}

/* The gain of a gap over a disturbance that comes at random is log(density of the gap / rate of disturbances). The rate
 * is taken from the entry itself: candidates that are not likely count in full, likely ones for a quarter, what follows
 * within the least gap not at all. */
static int16_t find_calm(const tapsig_evidence *evidence, const tapsig_evidence_config *config)
{
    uint16_t quarters = 4;
    uint16_t last = 0;
    for (uint8_t i = evidence->first; i < evidence->stop; i++) {
        if (i == evidence->first || (uint16_t)(evidence->time[i] - last) >= config->least_gap_ms) {
            quarters = (uint16_t)(quarters + (evidence->score[i] < config->likely_score ? 4 : 1));
            last = evidence->time[i];
        }
    }
    const uint16_t span = (uint16_t)(evidence->time[evidence->stop - 1] - evidence->time[evidence->first]);
    const uint16_t calm_ms = (uint16_t)(((uint32_t)span + config->silence_ms) * 4 / quarters);
    const int16_t bins = (int16_t)(bin_of(calm_ms > 0 ? calm_ms : 1) - config->calm_bin);
    return (int16_t)(tapsig_product(bins, config->calm_q4) >> 4);
}

bool tapsig_evidence_tick(tapsig_evidence *evidence, const tapsig_evidence_config *config, uint32_t block)
{
    if (evidence->over || !evidence->open
        || (int32_t)(block - evidence->last_likely - config->silence_ms) < 0) {
        return evidence->over;
    }
    const uint32_t opened = block_of(evidence, evidence->first);
    while (evidence->first > 0 && opened - block_of(evidence, (uint8_t)(evidence->first - 1)) <= config->lead_ms) {
        evidence->first--;
    }
    evidence->stop = evidence->first;
    while (evidence->stop < evidence->count
           && (int32_t)(block_of(evidence, evidence->stop) - evidence->last_likely) < (int32_t)config->silence_ms) {
        evidence->stop++;
    }
    evidence->over = true;
    evidence->calm = find_calm(evidence, config);
    return true;
}

void tapsig_evidence_next(tapsig_evidence *evidence, const tapsig_evidence_config *config)
{
    const uint8_t stop = evidence->stop;
    evidence->over = false;
    remove_candidates(evidence, 0, stop);
    find_likely(evidence, config);
}

typedef struct {
    int16_t within, pause;
} pair;

/* What a gap and the likeness of its ends add, as a gap within a digit and as a pause between digits. */
static pair compare_pair(const tapsig_evidence *evidence, const tapsig_evidence_config *config, uint8_t one,
                         uint8_t other, uint16_t gap, uint8_t tempo)
{
    const uint8_t bin = bin_of(gap);
    const uint8_t middle = (uint8_t)(config->first_tempo + tempo * config->tempo_step);
    uint8_t off = (uint8_t)(bin > middle ? bin - middle : middle - bin);
    off = off < TAPSIG_WITHIN_BINS ? off : TAPSIG_WITHIN_BINS - 1;
    uint8_t along = (uint8_t)(bin > config->first_bin ? bin - config->first_bin : 0);
    along = along < TAPSIG_BETWEEN_BINS ? along : TAPSIG_BETWEEN_BINS - 1;
    uint16_t unlike = 0;
    for (uint8_t k = 0; k < TAPSIG_SHAPE; k++) {
        const uint8_t a = evidence->shape[one][k], b = evidence->shape[other][k];
        const uint8_t difference = (uint8_t)(a > b ? a - b : b - a);
        unlike = (uint16_t)(unlike + (difference < config->difference_cap ? difference : config->difference_cap));
    }
    unlike >>= 2;
    unlike = unlike < TAPSIG_LIKENESS_BINS ? unlike : TAPSIG_LIKENESS_BINS - 1;
    const int16_t likeness = config->likeness[unlike];
    const pair found = {
        (int16_t)((config->within[off] + likeness) * STEPS_A_NAT_STEP),
        (int16_t)((config->between[along] + likeness) * STEPS_A_NAT_STEP),
    };
    return found;
}

void tapsig_compare_begin(tapsig_comparing *comparing, uint8_t first_tempo)
{
    static const tapsig_comparison nothing = {TAPSIG_UNREACHED, 0, 0, 0, 0, 0, 0, 0};
    comparing->tempo = first_tempo;
    comparing->tap = 0;
    comparing->candidate = 0;
    comparing->result = nothing;
}

/* A row: series whose last tap is tap number `tap` of the code. In the row after the code's last tap, every series that
 * goes on has left the code. */
typedef struct {
    uint8_t tap;
    uint8_t digits; /* begun before this tap */
    bool is_pause;  /* the gap before this tap starts a digit */
    bool is_last;   /* the code ends with this tap */
    bool is_after;  /* the code has ended before it */
} place;

static place find_place(const uint8_t *code, uint8_t digits, uint8_t tap)
{
    place here = {tap, 0, false, false, true};
    uint8_t start = 0;
    for (uint8_t d = 0; d < digits; d++) {
        const uint8_t stop = (uint8_t)(start + code[d]);
        if (tap < stop) {
            here.is_pause = tap == start;
            here.digits = here.is_pause ? d : (uint8_t)(d + 1);
            here.is_last = d + 1 == digits && tap + 1 == stop;
            here.is_after = false;
            return here;
        }
        start = stop;
    }
    here.digits = digits;
    return here;
}

static int16_t plus(int16_t one, int16_t other)
{
    const int16_t sum = tapsig_saturate16((int32_t)one + other);
    return sum > TAPSIG_UNREACHED ? sum : TAPSIG_UNREACHED + 1;
}

static void offer_row(tapsig_comparing *comparing, place here, int16_t score, uint8_t from, tapsig_trace *trace)
{
    int16_t *at = &comparing->row[here.tap & 1][comparing->candidate];
    if (score > *at) {
        *at = score;
        if (trace) {
            trace->came_from[here.tap][comparing->candidate] = from;
        }
    }
}

static void offer_off(tapsig_comparing *comparing, int16_t score, uint8_t digits, uint8_t from, uint8_t row,
                      bool is_pause, tapsig_trace *trace)
{
    const uint8_t i = comparing->candidate;
    if (score > comparing->off[i]) {
        comparing->off[i] = score;
        comparing->off_digits[i] = digits;
        if (trace) {
            trace->off_from[i] = from;
            trace->off_row[i] = row;
            trace->off_pause[i] = is_pause;
        }
    }
}

/* Series that end with candidate `j`, extended by the one that is worked on; `sum` is what that adds. */
static void extend(tapsig_comparing *comparing, place here, uint8_t j, pair sum, tapsig_trace *trace)
{
    if (here.tap > 0) {
        const int16_t before = comparing->row[(here.tap - 1) & 1][j];
        const uint8_t row = (uint8_t)(here.tap - 1);
        if (before != TAPSIG_UNREACHED) {
            if (!here.is_after) {
                offer_row(comparing, here, plus(before, here.is_pause ? sum.pause : sum.within), j, trace);
            }
            if (here.is_after || here.is_pause) {
                offer_off(comparing, plus(before, sum.within), here.digits, j, row, false, trace);
            }
            if (here.is_after || !here.is_pause) {
                offer_off(comparing, plus(before, sum.pause), (uint8_t)(here.digits + 1), j, row, true, trace);
            }
        }
    }
    if (here.is_after && comparing->off[j] != TAPSIG_UNREACHED) {
        const bool is_pause = sum.pause > sum.within;
        offer_off(comparing, plus(comparing->off[j], is_pause ? sum.pause : sum.within),
                  (uint8_t)(comparing->off_digits[j] + is_pause), j, UINT8_MAX, is_pause, trace);
    }
}

static void note_other(tapsig_comparing *comparing, int16_t score, uint8_t digits, uint8_t row)
{
    if (score > comparing->result.other) {
        comparing->result.other = score;
        comparing->result.other_digits = digits;
        comparing->result.other_tempo = comparing->tempo;
        comparing->result.other_end = comparing->candidate;
        comparing->result.other_row = row;
    }
}

/* The series that end here, as answers. */
static void note_ends(tapsig_comparing *comparing, const tapsig_evidence_config *config, place here)
{
    const uint8_t i = comparing->candidate;
    const int16_t prior = (int16_t)(config->tempo[comparing->tempo] * STEPS_A_NAT_STEP);
    if (here.is_after) {
        if (comparing->off[i] != TAPSIG_UNREACHED) {
            note_other(comparing, plus(comparing->off[i], prior), comparing->off_digits[i], UINT8_MAX);
        }
        return;
    }
    const int16_t at = comparing->row[here.tap & 1][i];
    if (at == TAPSIG_UNREACHED) {
        return;
    }
    if (!here.is_last) {
        note_other(comparing, plus(at, prior), (uint8_t)(here.digits + here.is_pause), here.tap);
    } else if (plus(at, prior) > comparing->result.code) {
        comparing->result.code = plus(at, prior);
        comparing->result.code_tempo = comparing->tempo;
        comparing->result.code_end = i;
    }
}

bool tapsig_compare_step(tapsig_comparing *comparing, const tapsig_evidence *evidence,
                         const tapsig_evidence_config *config, const uint8_t *code, uint8_t digits,
                         uint8_t stop_tempo, tapsig_trace *trace)
{
    if (comparing->tempo >= stop_tempo || evidence->first >= evidence->stop) {
        return true;
    }
    const place here = find_place(code, digits, comparing->tap);
    const uint8_t count = (uint8_t)(evidence->stop - evidence->first);
    const uint8_t i = (uint8_t)(evidence->first + comparing->candidate);
    const int16_t odds = evidence->score[i] < config->highest_score ? evidence->score[i] : config->highest_score;
    const int16_t gain = (int16_t)((tapsig_product(odds, config->weight_q4) >> 4) + config->bias);
    if (here.tap == 0) {
        comparing->off[comparing->candidate] = TAPSIG_UNREACHED;
    }
    comparing->row[here.tap & 1][comparing->candidate] = TAPSIG_UNREACHED;
    if (here.tap == 0 && here.is_after) {
        offer_off(comparing, gain, 1, TAPSIG_KEPT, UINT8_MAX, false, trace);
    } else if (here.tap == 0) {
        offer_row(comparing, here, gain, TAPSIG_KEPT, trace);
    }
    for (uint8_t j = comparing->candidate; j-- > 0;) {
        const uint16_t gap = (uint16_t)(evidence->time[i] - evidence->time[evidence->first + j]);
        if (gap >= config->silence_ms) {
            break;
        }
        if (gap >= config->least_gap_ms) {
            pair sum = compare_pair(evidence, config, i, (uint8_t)(evidence->first + j), gap, comparing->tempo);
            sum.within = (int16_t)(sum.within + gain + evidence->calm);
            sum.pause = (int16_t)(sum.pause + gain + evidence->calm);
            extend(comparing, here, j, sum, trace);
        }
    }
    note_ends(comparing, config, here);
    if (++comparing->candidate == count) {
        comparing->candidate = 0;
        comparing->tap = (uint8_t)(here.is_after ? 0 : comparing->tap + 1);
        comparing->tempo = (uint8_t)(comparing->tempo + here.is_after);
    }
    return comparing->tempo >= stop_tempo;
}
