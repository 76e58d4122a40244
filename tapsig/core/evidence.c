#include "evidence.h"

#include "context.h"
#include "fixed.h"

#define STEPS_A_NAT_STEP 4 /* of a score in one of a table */
#define OLDEST_MS 60000    /* the times of candidates are kept in 16 bits */

/* Bytes of a candidate's row that others are compared with: how its channels fall, and how far two of them rise over
 * their quietest. */
static const uint8_t SHAPE_OF[TAPSIG_SHAPE] = {2, 3, 8, 9, 14, 15, 18, 22};

void tapsig_evidence_init(tapsig_evidence *evidence)
{
    evidence->newest = 0;
    evidence->last_likely = 0;
    evidence->count = 0;
    evidence->first = 0;
    evidence->stop = 0;
    evidence->open = false;
    evidence->over = false;
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

/* What a gap and the candidate at its end add, as a gap within a digit and as a pause between digits. */
static pair weigh_gap(const tapsig_evidence_config *config, uint16_t gap, uint8_t tempo, int16_t gain)
{
    const uint8_t bin = bin_of(gap);
    const uint8_t middle = (uint8_t)(config->first_tempo + tempo * config->tempo_step);
    uint8_t off = (uint8_t)(bin > middle ? bin - middle : middle - bin);
    off = off < TAPSIG_WITHIN_BINS ? off : TAPSIG_WITHIN_BINS - 1;
    uint8_t along = (uint8_t)(bin > config->first_bin ? bin - config->first_bin : 0);
    along = along < TAPSIG_BETWEEN_BINS ? along : TAPSIG_BETWEEN_BINS - 1;
    const pair found = {
        (int16_t)(config->within[off] * STEPS_A_NAT_STEP + gain),
        (int16_t)(config->between[along] * STEPS_A_NAT_STEP + gain),
    };
    return found;
}

void tapsig_compare_begin(tapsig_comparing *comparing, uint8_t first_tempo)
{
    static const tapsig_comparison nothing = {TAPSIG_UNREACHED, 0, 0, 0, 0, 0, 0, 0};
    comparing->ready = 0;
    comparing->tempo = first_tempo;
    comparing->place = 0;
    comparing->candidate = 0;
    comparing->result = nothing;
}

enum { IS_TAP, IS_OFF, IS_LONGER };

/* A place in the order of work. IS_TAP: series that agree with the code and end with tap number `tap` of it. IS_OFF:
 * after the taps of each digit, series that have left the code and have as many digits. IS_LONGER: last, those that
 * have more digits than the code. */
typedef struct {
    uint8_t kind;
    uint8_t tap;
    uint8_t digit;     /* counted from 0 */
    bool is_first;     /* of its digit */
    bool is_last;      /* of its digit */
    bool same_length;  /* as many digits as the code */
} place;

static place find_place(const uint8_t *code, uint8_t digits, uint8_t number)
{
    place here = {IS_LONGER, 0, digits, false, false, digits == 0};
    uint8_t tap = 0;
    for (uint8_t d = 0; d < digits; d++) {
        if (number <= code[d]) {
            here.kind = number < code[d] ? IS_TAP : IS_OFF;
            here.tap = (uint8_t)(tap + number);
            here.digit = d;
            here.is_first = number == 0;
            here.is_last = number + 1 == code[d];
            here.same_length = d + 1 == digits;
            break;
        }
        number = (uint8_t)(number - code[d] - 1);
        tap = (uint8_t)(tap + code[d]);
    }
    return here;
}

static int16_t plus(int16_t one, int16_t other)
{
    const int16_t sum = tapsig_saturate16((int32_t)one + other);
    return sum > TAPSIG_UNREACHED ? sum : TAPSIG_UNREACHED + 1;
}

static void offer_row(tapsig_comparing *comparing, uint8_t tap, int16_t score, uint8_t from, tapsig_trace *trace)
{
    int16_t *at = &comparing->row[tap & 1][comparing->candidate];
    if (score > *at) {
        *at = score;
        if (trace) {
            trace->came_from[tap][comparing->candidate] = from;
        }
    }
}

static void offer_off(tapsig_comparing *comparing, uint8_t digit, int16_t score, tapsig_step_back back,
                      tapsig_trace *trace)
{
    int16_t *at = &comparing->off[digit & 1][comparing->candidate];
    if (score > *at) {
        *at = score;
        if (trace) {
            trace->off[digit][comparing->candidate] = back;
        }
    }
}

/* Series that end with candidate `j`, extended by the one that is worked on; `sum` is what that adds. */
static void extend_agreeing(tapsig_comparing *comparing, place here, uint8_t j, pair sum, tapsig_trace *trace)
{
    const int16_t before = here.tap > 0 ? comparing->row[(here.tap - 1) & 1][j] : TAPSIG_UNREACHED;
    const uint8_t next = (uint8_t)(here.digit + 1);
    if (before != TAPSIG_UNREACHED) {
        offer_row(comparing, here.tap, plus(before, here.is_first ? sum.pause : sum.within), j, trace);
        if (!here.is_first) { /* a pause too early */
            const tapsig_step_back back = {j, (uint8_t)(here.tap - 1), 0, true};
            offer_off(comparing, next, plus(before, sum.pause), back, trace);
        }
    }
    const int16_t ended = here.is_last ? comparing->row[here.tap & 1][j] : TAPSIG_UNREACHED;
    if (ended != TAPSIG_UNREACHED) { /* a tap too many, or a digit too many */
        const tapsig_step_back within = {j, here.tap, 0, false}, pause = {j, here.tap, 0, true};
        offer_off(comparing, here.digit, plus(ended, sum.within), within, trace);
        if (here.same_length) {
            offer_off(comparing, next, plus(ended, sum.pause), pause, trace);
        }
    }
}

static void extend_off(tapsig_comparing *comparing, place here, uint8_t j, pair sum, tapsig_trace *trace)
{
    const int16_t before = comparing->off[here.digit & 1][j];
    if (before == TAPSIG_UNREACHED) {
        return;
    }
    const tapsig_step_back within = {j, UINT8_MAX, here.digit, false}, pause = {j, UINT8_MAX, here.digit, true};
    offer_off(comparing, here.digit, plus(before, sum.within), within, trace);
    offer_off(comparing, (uint8_t)(here.digit + (here.kind == IS_OFF)), plus(before, sum.pause), pause, trace);
}

/* Nothing reached yet at this candidate; what may begin here begins. */
static void clear_place(tapsig_comparing *comparing, place here, int16_t gain, tapsig_trace *trace)
{
    const uint8_t i = comparing->candidate;
    const bool is_start = comparing->place == 0;
    if (here.kind == IS_TAP) {
        comparing->row[here.tap & 1][i] = TAPSIG_UNREACHED;
        if (here.is_first) {
            comparing->off[(here.digit + 1) & 1][i] = TAPSIG_UNREACHED;
        }
    }
    if (is_start) {
        comparing->off[0][i] = TAPSIG_UNREACHED;
    }
    if (is_start && here.kind == IS_TAP) {
        offer_row(comparing, here.tap, gain, TAPSIG_KEPT, trace);
    } else if (is_start) {
        const tapsig_step_back none = {TAPSIG_KEPT, UINT8_MAX, 0, false};
        offer_off(comparing, here.digit, gain, none, trace);
    }
}

/* The series that end here, as answers. */
static void note_end(tapsig_comparing *comparing, const tapsig_evidence_config *config, place here)
{
    const uint8_t i = comparing->candidate;
    const bool agrees = here.kind == IS_TAP;
    const int16_t at = agrees ? comparing->row[here.tap & 1][i] : comparing->off[here.digit & 1][i];
    if (at == TAPSIG_UNREACHED) {
        return;
    }
    const int16_t sum = plus(at, (int16_t)(config->tempo[comparing->tempo] * STEPS_A_NAT_STEP));
    tapsig_comparison *result = &comparing->result;
    if (agrees && here.is_last && here.same_length) {
        if (sum > result->code) {
            result->code = sum;
            result->code_tempo = comparing->tempo;
            result->code_end = i;
        }
        return;
    }
    const int16_t score = here.same_length ? sum : plus(sum, (int16_t)-config->other_length);
    if (score > result->other) {
        result->other = score;
        result->other_digits = (uint8_t)(here.digit + 1);
        result->other_tempo = comparing->tempo;
        result->other_end = i;
        result->other_row = agrees ? here.tap : UINT8_MAX;
    }
}

static void find_gain(tapsig_comparing *comparing, const tapsig_evidence *evidence,
                      const tapsig_evidence_config *config)
{
    const int16_t odds = tapsig_context_judge(evidence, config, (uint8_t)(evidence->first + comparing->ready));
    const int32_t weighed = tapsig_product(odds, config->weight_q4) >> 4;
    comparing->gain[comparing->ready++] = tapsig_saturate16(weighed + config->bias);
}

bool tapsig_compare_step(tapsig_comparing *comparing, const tapsig_evidence *evidence,
                         const tapsig_evidence_config *config, const uint8_t *code, uint8_t digits,
                         uint8_t stop_tempo, tapsig_trace *trace)
{
    if (comparing->tempo >= stop_tempo || evidence->first >= evidence->stop) {
        return true;
    }
    const uint8_t count = (uint8_t)(evidence->stop - evidence->first);
    if (comparing->ready < count) {
        find_gain(comparing, evidence, config);
        return false;
    }
    const place here = find_place(code, digits, comparing->place);
    const uint16_t *time = evidence->time + evidence->first;
    const uint8_t i = comparing->candidate;
    const int16_t gain = comparing->gain[i];
    clear_place(comparing, here, gain, trace);
    for (uint8_t j = i; j-- > 0;) {
        const uint16_t gap = (uint16_t)(time[i] - time[j]);
        if (gap >= config->silence_ms) {
            break;
        }
        if (gap >= config->least_gap_ms) {
            const pair sum = weigh_gap(config, gap, comparing->tempo, gain);
            if (here.kind == IS_TAP) {
                extend_agreeing(comparing, here, j, sum, trace);
            } else {
                extend_off(comparing, here, j, sum, trace);
            }
        }
    }
    note_end(comparing, config, here);
    if (++comparing->candidate == count) {
        comparing->candidate = 0;
        comparing->place = (uint8_t)(here.kind == IS_LONGER ? 0 : comparing->place + 1);
        comparing->tempo = (uint8_t)(comparing->tempo + (here.kind == IS_LONGER));
    }
    return comparing->tempo >= stop_tempo;
}
