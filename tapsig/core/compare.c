#include "compare.h"

#include "fixed.h"

#define STEPS_A_NAT_STEP 4 /* of a score in one of a table */
#define WORK_AN_OTHER 7 /* a candidate that one is compared with */
#define WORK_A_TREE 2
#define WORK_A_PAIR 4  /* one that is weighed, or a candidate that is begun with */

/* 16 * log2(ms), the fraction linear between octaves: at most 1.4 bins too low. */
static inline uint8_t bin_of(uint16_t ms)
{
    return (uint8_t)(ms > UINT8_MAX ? tapsig_normalise(ms, 15) : tapsig_normalise((uint16_t)(ms << 8), 7));
}

typedef struct {
    int16_t within, pause;
} pair;

/* What a gap and the candidate at its end add, as a gap within a digit and as a pause between digits; `middle` is the
 * bin of the tempo. */
static inline pair weigh_gap(const tapsig_evidence_config *config, uint16_t gap, uint8_t middle, int16_t gain)
{
    const uint8_t bin = bin_of(gap);
    uint8_t off = (uint8_t)(bin > middle ? bin - middle : middle - bin);
    off = off < TAPSIG_WITHIN_BINS ? off : TAPSIG_WITHIN_BINS - 1;
    uint8_t along = (uint8_t)(bin > config->first_bin ? bin - config->first_bin : 0);
    along = along < TAPSIG_BETWEEN_BINS ? along : TAPSIG_BETWEEN_BINS - 1;
    const pair found = {
        (int16_t)((int8_t)TAPSIG_READ(config->within + off) * STEPS_A_NAT_STEP + gain),
        (int16_t)((int8_t)TAPSIG_READ(config->between + along) * STEPS_A_NAT_STEP + gain),
    };
    return found;
}

void tapsig_compare_begin(tapsig_comparing *comparing, int16_t no_taps, uint8_t first_tempo)
{
    *comparing = (tapsig_comparing){.tempo = first_tempo, .result = {.code = TAPSIG_UNREACHED, .other = no_taps, .no_taps = no_taps}};
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

/* Saturated, and never TAPSIG_UNREACHED. */
static inline int16_t plus(int16_t one, int16_t other)
{
    const uint16_t sum = (uint16_t)((uint16_t)one + (uint16_t)other);
    const bool fits = (((uint16_t)one ^ sum) & ((uint16_t)other ^ sum) & 0x8000U) == 0 && sum != 0x8000U;
    return (int16_t)(fits ? (int16_t)sum : one < 0 ? -INT16_MAX : INT16_MAX);
}

/* What one step works on. */
typedef struct {
    tapsig_comparing *comparing;
    tapsig_evidence_cell *cell; /* of the candidate at the end of the series */
    place here;
    uint8_t i; /* that candidate, counted from the entry's first */
    tapsig_trace *trace;
} work;

static inline void offer_row(const work *now, uint8_t tap, int16_t score, uint8_t from)
{
    int16_t *at = &now->cell->best.row[tap & 1];
    if (score > *at) {
        *at = score;
        if (now->trace) {
            now->trace->came_from[tap][now->i] = from;
        }
    }
}

static inline void offer_off(const work *now, uint8_t digit, int16_t score, tapsig_step_back back)
{
    int16_t *at = &now->cell->best.off[digit & 1];
    if (score > *at) {
        *at = score;
        if (now->trace) {
            now->trace->off[digit][now->i] = back;
        }
    }
}

/* Series that end with candidate `j`, extended by the one that is worked on; `sum` is what that adds. */
static void extend_agreeing(const work *now, uint8_t j, const tapsig_evidence_cell *from, pair sum)
{
    const place *here = &now->here;
    const int16_t before = here->tap > 0 ? from->best.row[(here->tap - 1) & 1] : TAPSIG_UNREACHED;
    const uint8_t next = (uint8_t)(here->digit + 1);
    if (before != TAPSIG_UNREACHED) {
        offer_row(now, here->tap, plus(before, here->is_first ? sum.pause : sum.within), j);
        if (!here->is_first) { /* a pause too early */
            const tapsig_step_back back = {j, (uint8_t)(here->tap - 1), 0, true};
            offer_off(now, next, plus(before, sum.pause), back);
        }
    }
    const int16_t ended = here->is_last ? from->best.row[here->tap & 1] : TAPSIG_UNREACHED;
    if (ended != TAPSIG_UNREACHED) { /* a tap too many, or a digit too many */
        const tapsig_step_back within = {j, here->tap, 0, false}, pause = {j, here->tap, 0, true};
        offer_off(now, here->digit, plus(ended, sum.within), within);
        if (here->same_length) {
            offer_off(now, next, plus(ended, sum.pause), pause);
        }
    }
}

static void extend_off(const work *now, uint8_t j, const tapsig_evidence_cell *from, pair sum)
{
    const place *here = &now->here;
    const int16_t before = from->best.off[here->digit & 1];
    if (before == TAPSIG_UNREACHED) {
        return;
    }
    const tapsig_step_back within = {j, UINT8_MAX, here->digit, false}, pause = {j, UINT8_MAX, here->digit, true};
    offer_off(now, here->digit, plus(before, sum.within), within);
    offer_off(now, (uint8_t)(here->digit + (here->kind == IS_OFF)), plus(before, sum.pause), pause);
}

/* Nothing reached yet at this candidate; what may begin here begins. */
static void clear_place(const work *now, int16_t gain)
{
    const place here = now->here;
    tapsig_evidence_cell *cell = now->cell;
    const bool is_start = now->comparing->place == 0;
    if (here.kind == IS_TAP) {
        cell->best.row[here.tap & 1] = TAPSIG_UNREACHED;
        if (here.is_first) {
            cell->best.off[(here.digit + 1) & 1] = TAPSIG_UNREACHED;
        }
    }
    if (is_start) {
        cell->best.off[0] = TAPSIG_UNREACHED;
    }
    if (is_start && here.kind == IS_TAP) {
        offer_row(now, here.tap, gain, TAPSIG_KEPT);
    } else if (is_start) {
        const tapsig_step_back none = {TAPSIG_KEPT, UINT8_MAX, 0, false};
        offer_off(now, here.digit, gain, none);
    }
}

/* The series that end here, as answers. */
static void note_end(const work *now, const tapsig_evidence_config *config)
{
    const place here = now->here;
    const bool agrees = here.kind == IS_TAP;
    const tapsig_evidence_cell *cell = now->cell;
    const int16_t at = agrees ? cell->best.row[here.tap & 1] : cell->best.off[here.digit & 1];
    if (at == TAPSIG_UNREACHED) {
        return;
    }
    const uint8_t tempo = now->comparing->tempo;
    const int16_t sum = plus(at, (int16_t)((int8_t)TAPSIG_READ(config->tempo + tempo) * STEPS_A_NAT_STEP));
    tapsig_comparison *result = &now->comparing->result;
    if (agrees && here.is_last && here.same_length) {
        if (sum > result->code) {
            result->code = sum;
            result->code_tempo = tempo;
            result->code_end = now->i;
        }
        return;
    }
    const int16_t score = here.same_length ? sum : plus(sum, (int16_t)-config->other_length);
    if (score > result->other) {
        result->other = score;
        result->other_digits = (uint8_t)(here.digit + 1);
        result->other_tempo = tempo;
        result->other_end = now->i;
        result->other_row = agrees ? here.tap : UINT8_MAX;
    }
}

static int8_t saturate_gain(int32_t value)
{
    return (int8_t)(value > INT8_MAX ? INT8_MAX : value < -INT8_MAX ? -INT8_MAX : value);
}

/* In several steps: the other candidates, then the trees. */
static void find_gain(tapsig_comparing *comparing, tapsig_evidence *evidence, const tapsig_evidence_config *config)
{
    const uint8_t index = (uint8_t)(evidence->first + comparing->ready);
    const bool judged = config->context.size == 0;
    uint8_t left = config->work_a_step / WORK_AN_OTHER;
    if (judged) {
        comparing->odds = tapsig_score_of(evidence->odds[evidence->order[index]]);
    } else if (!comparing->described) {
        if (comparing->partner == 0) {
            tapsig_context_begin(&comparing->sums);
        }
        const uint8_t others = (uint8_t)(evidence->stop - evidence->first);
        if (comparing->partner < others) {
            for (; left > 0 && comparing->partner < others; left--) {
                tapsig_context_add(&comparing->sums, evidence, index, (uint8_t)(evidence->first + comparing->partner++));
            }
            return;
        }
        tapsig_context_finish(&comparing->sums, evidence, config, index, comparing->row);
        comparing->described = true;
        comparing->tree = 0;
        comparing->odds = config->context.base;
        return;
    } else {
        comparing->odds = (int16_t)(comparing->odds
                                    + tapsig_trees_add(&config->context, comparing->row, &comparing->tree,
                                                         config->work_a_step / WORK_A_TREE));
        if (comparing->tree < config->context.size) {
            return;
        }
    }
    const int32_t weighed = (tapsig_product(comparing->odds, config->weight_q4) >> 4) + config->bias;
    evidence->gain[evidence->order[index]] = saturate_gain((weighed + 2) >> 2);
    comparing->ready++;
    comparing->partner = 0;
    comparing->described = false;
}

/* The next candidate, then the next place, then the next tempo. */
static void go_on(tapsig_comparing *comparing, uint8_t kind, uint8_t count)
{
    comparing->begun = false;
    if (++comparing->candidate == count) {
        comparing->candidate = 0;
        comparing->place = (uint8_t)(kind == IS_LONGER ? 0 : comparing->place + 1);
        comparing->tempo = (uint8_t)(comparing->tempo + (kind == IS_LONGER));
    }
}

/* Extend series by the candidate that is worked on, as far as the work that is `left` allows. Returns what is left. */
static int8_t extend(const work *now, tapsig_evidence *evidence, const tapsig_evidence_config *config, int8_t left)
{
    tapsig_comparing *comparing = now->comparing;
    const uint8_t *order = evidence->order + evidence->first;
    const uint8_t slot = order[now->i];
    const uint16_t time = evidence->time[slot];
    const int16_t gain = (int16_t)(evidence->gain[slot] * STEPS_A_NAT_STEP);
    const uint8_t middle = (uint8_t)(config->first_tempo + comparing->tempo * config->tempo_step);
    if (!comparing->begun) {
        comparing->begun = true;
        comparing->partner = now->i;
        clear_place(now, gain);
    }
    while (comparing->partner > 0 && left > 0) {
        const uint8_t j = --comparing->partner;
        const uint8_t from = order[j];
        const uint16_t gap = (uint16_t)(time - evidence->time[from]);
        if (gap >= config->silence_ms) {
            comparing->partner = 0;
        } else if (gap >= config->least_gap_ms && evidence->gain[from] >= config->least_gain) {
            const pair sum = weigh_gap(config, gap, middle, gain);
            left = (int8_t)(left - WORK_A_PAIR);
            if (now->here.kind == IS_TAP) {
                extend_agreeing(now, j, &evidence->cell[from], sum);
            } else {
                extend_off(now, j, &evidence->cell[from], sum);
            }
        } else {
            left--;
        }
    }
    return left;
}

bool tapsig_compare_step(tapsig_comparing *comparing, tapsig_evidence *evidence, const tapsig_evidence_config *config,
                         const uint8_t *code, uint8_t digits, uint8_t stop_tempo, tapsig_trace *trace)
{
    const uint8_t count = (uint8_t)(evidence->stop - evidence->first);
    if (comparing->ready < count) {
        find_gain(comparing, evidence, config);
        return false;
    }
    int8_t left = (int8_t)config->work_a_step;
    work now = {.comparing = comparing, .here = find_place(code, digits, comparing->place), .trace = trace};
    uint8_t found = comparing->place;
    while (left > 0 && comparing->tempo < stop_tempo && count > 0) {
        const uint8_t slot = evidence->order[evidence->first + comparing->candidate];
        if (found != comparing->place) {
            found = comparing->place;
            now.here = find_place(code, digits, found);
        }
        now.cell = &evidence->cell[slot];
        now.i = comparing->candidate;
        left = (int8_t)(left - WORK_A_PAIR);
        if (evidence->gain[slot] >= config->least_gain) {
            left = extend(&now, evidence, config, left);
            if (comparing->partner > 0) {
                break;
            }
            note_end(&now, config);
        }
        go_on(comparing, now.here.kind, count);
    }
    return comparing->tempo >= stop_tempo || count == 0;
}
