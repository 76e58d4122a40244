/* The whole device: counts from the converter through the exported core to a release pulse, and lines of events.
 *
 * Lines have three fields, as replay.c prints them; samples are counted from the last reset, asleep they stand still:
 *
 *     boot,CAUSE,FAILURES          CAUSE: 1 power-on, 2 reset pin, 4 brown-out, 8 watchdog, or a sum of them
 *     tap,SAMPLE,ONSET_SAMPLE
 *     accepted,SAMPLE,             or wrong, void
 *     sleep,SAMPLE,  wake,SAMPLE,
 *     rail,SAMPLE,COUNT            the converter has stood at one of its rails for a second: sensor or wiring
 *     overrun,SAMPLE,COUNT         counts were lost since the line before
 *     lost,SAMPLE,LINES            lines found no room, for the serial line was too slow
 *
 * Not a security product, and never the only way to reach a person or an animal. The code lies in the flash and in
 * tapsig_numbers.h: keep both to yourself, and set the lock bits (see the Makefile). Brown-out detection must be on (see
 * there too): at a sagging supply a controller may do anything, write its EEPROM too.
 */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/pgmspace.h>
#include <avr/sleep.h>
#include <avr/wdt.h>
#include <string.h>

#include "../tapsig.h"
#include "board.h"
#include "rate.h"
#include "sampler.h"
#include "serial.h"
#include "store.h"

#if !defined(TAPSIG_WITH_ENTRY) && !defined(TAPSIG_WITH_EVIDENCE)
#error "the device needs a code: tapsig export ... --code D-D-D --firmware"
#endif

#define SAMPLES_OF_MS(ms) ((uint32_t)((ms) * RATE_HZ / 1000.0 + 0.5))
#define RAIL_MS 1000
#define WAITING 4 /* lines */
#define LINE 24 /* the longest half of one: a word and a number of ten digits */
#define HOLD ((uint8_t)SAMPLES_OF_MS(1) + 1)

_Static_assert(SERIAL_MEETS(BOARD_BAUD), "this clock misses BOARD_BAUD by over 2.5 %; choose another in board.h");

typedef struct {
    PGM_P name;
    uint32_t first, second;
    bool has_second;
} event_line;

static tapsig_detector detector;
static event_line waiting[WAITING];
static uint8_t waiting_count;
static uint8_t held_samples; /* until the next half of a line is written: not in a millisecond that had much to do */
static uint32_t sample;         /* number of the count being worked on */
static uint32_t quiet_samples;  /* since the last tap, or the last waking */
static uint32_t release_samples; /* left of the pulse */
static uint32_t rail_samples;
static uint32_t skipped_samples; /* still to be passed over after waking */
static uint16_t lost_lines;
static uint16_t stored_failures;
static bool judged; /* a verdict came with the count before: its failures are still to be stored */

/* A watchdog that has bitten stays on with its shortest time: it is stopped before anything else. */
void early(void) __attribute__((naked, used, section(".init3")));
void early(void)
{
    GPIOR0 = MCUSR; /* the start-up code leaves this register alone */
    MCUSR = 0;
    wdt_disable();
}

/* Digits by subtraction: a division of 32 bits for each takes four times as long. */
static char *write_number(char *end, uint32_t number)
{
    static const uint32_t POWERS[] PROGMEM = {1000000000, 100000000, 10000000, 1000000, 100000, 10000, 1000, 100, 10};
    const char *begin = end;
    for (uint8_t i = 0; i < sizeof POWERS / sizeof POWERS[0]; i++) {
        const uint32_t power = pgm_read_dword(&POWERS[i]);
        char digit = '0';
        for (; number >= power; number -= power) {
            digit++;
        }
        if (digit != '0' || end != begin) {
            *end++ = digit;
        }
    }
    *end++ = (char)('0' + number);
    return end;
}

/* Half a line at a time, because the digits of a number take a while. */
static bool send_first(PGM_P name, uint32_t number)
{
    char text[LINE];
    char *end = text + strlen(strcpy_P(text, name));
    *end++ = ',';
    end = write_number(end, number);
    *end++ = ',';
    return serial_put(text, (uint8_t)(end - text));
}

static bool send_second(bool has_number, uint32_t number)
{
    char text[LINE];
    char *end = has_number ? write_number(text, number) : text;
    *end++ = '\n';
    return serial_put(text, (uint8_t)(end - text));
}

/* A line waits for a millisecond, until there is no count to work on, and room in the serial queue; one that finds no
 * room to wait is counted. */
static void report(PGM_P name, uint32_t first, bool has_second, uint32_t second)
{
    held_samples = HOLD;
    if (waiting_count < WAITING && lost_lines == 0) {
        waiting[waiting_count++] = (event_line){name, first, second, has_second};
    } else if (lost_lines < UINT16_MAX) {
        lost_lines++;
    }
}

static void send_waiting(void)
{
    static bool half;
    const event_line *line = &waiting[0];
    if (held_samples > 0 || !tapsig_has_time(&detector)) {
        return;
    }
    if (waiting_count == 0 && lost_lines > 0) {
        waiting[waiting_count++] = (event_line){PSTR("lost"), sample, lost_lines, true};
        lost_lines = 0;
    }
    if (waiting_count == 0) {
        return;
    }
    if (!half) {
        half = send_first(line->name, line->first);
    } else if (send_second(line->has_second, line->second)) {
        half = false;
        waiting_count--;
        memmove(waiting, waiting + 1, waiting_count * sizeof waiting[0]);
    }
    held_samples = HOLD;
}

static void report_verdict(uint8_t verdict)
{
    report(verdict == TAPSIG_ACCEPTED ? PSTR("accepted") : verdict == TAPSIG_WRONG ? PSTR("wrong") : PSTR("void"),
           sample, false, 0);
}

/* A second at a rail is reported once, until the count has left it. */
static void watch_rails(uint16_t count)
{
    if (count > 0 && count < TAPSIG_COUNT_MAX) {
        rail_samples = 0;
    } else if (rail_samples <= SAMPLES_OF_MS(RAIL_MS) && ++rail_samples == SAMPLES_OF_MS(RAIL_MS)) {
        report(PSTR("rail"), sample, true, count);
    }
}

static void time_release(void)
{
    if (release_samples > 0 && --release_samples == 0) {
        board_release(false);
    }
}

static void store_failures(void)
{
    const uint16_t failures = tapsig_failures(&detector);
    if (failures != stored_failures) {
        stored_failures = failures;
        store_put(failures);
    }
}

static void work_on(uint16_t count)
{
    held_samples = (uint8_t)(held_samples > 0 ? held_samples - 1 : 0);
#if defined(DEVICE_START_MS) && defined(TAPSIG_WITH_EVIDENCE)
    if (sample == SAMPLES_OF_MS(128)) { /* the levels have settled; their rings hold 64 blocks */
        detector.core.levels.block += DEVICE_START_MS & ~UINT32_C(63);
    }
#endif
    const tapsig_event event = tapsig_push(&detector, count);
    if (event.tap) {
        quiet_samples = 0;
        if (BOARD_REPORTS_TAPS) {
            report(PSTR("tap"), sample, true, sample - event.onset_age);
        }
    } else if (quiet_samples < UINT32_MAX) {
        quiet_samples++;
    }
    time_release();
    if (judged) { /* not in the millisecond of the verdict, which had enough to do */
        store_failures();
    }
    judged = event.verdict != TAPSIG_NO_VERDICT;
    if (judged) {
        if (event.verdict == TAPSIG_ACCEPTED) {
            board_release(true);
            release_samples = SAMPLES_OF_MS(BOARD_RELEASE_MS);
        }
        report_verdict(event.verdict);
    }
    watch_rails(count);
    const uint16_t overrun = sampler_count_lost();
    if (overrun > 0) {
        report(PSTR("overrun"), sample, true, overrun);
        sample += overrun;
    }
    sample++;
}

#if BOARD_SLEEPS
EMPTY_INTERRUPT(BOARD_WAKE_VECTOR)

static bool may_sleep(void)
{
    return quiet_samples >= BOARD_AWAKE_S * SAMPLES_OF_MS(1000) && release_samples == 0 && tapsig_is_idle(&detector)
           && store_is_idle();
}

static void sleep_until_woken(void)
{
    sampler_stop();
    wdt_disable();
    set_sleep_mode(SLEEP_MODE_PWR_DOWN);
    cli();
    board_watch_wake_pin(true);
    sleep_enable();
    sei();
    sleep_cpu();
    sleep_disable();
    board_watch_wake_pin(false);
    wdt_enable(WDTO_1S);
    tapsig_wake(&detector);
    quiet_samples = 0;
    rail_samples = 0;
    skipped_samples = SAMPLES_OF_MS(BOARD_WAKE_MS);
    sampler_start();
    report(PSTR("wake"), sample, false, 0);
}

/* The line that says so leaves first. */
static void sleep_when_quiet(void)
{
    static bool announced;
    if (!may_sleep()) {
        announced = false;
    } else if (!announced) {
        announced = true;
        report(PSTR("sleep"), sample, false, 0);
    } else if (waiting_count == 0 && serial_is_idle()) {
        announced = false;
        sleep_until_woken();
    }
}
#endif

static void start(void)
{
    board_start();
    wdt_enable(WDTO_1S);
    serial_start(SERIAL_DIVIDER(BOARD_BAUD));
    tapsig_init(&detector);
#if defined(DEVICE_START_MS) && defined(TAPSIG_WITH_ENTRY) /* a test of what 49 days lead to */
    detector.clock.now_ms = DEVICE_START_MS;
#endif
    stored_failures = store_load();
    if (stored_failures > 0 && board_asks_to_clear()) {
        stored_failures = 0;
        store_put(0);
    }
    tapsig_restore(&detector, stored_failures);
    report(PSTR("boot"), GPIOR0, true, stored_failures);
    sampler_start();
    sei();
}

int main(void)
{
    start();
    for (;;) {
        uint16_t count;
        store_step();
        if (!sampler_take(&count)) {
            send_waiting();
            sampler_wait();
            continue;
        }
        wdt_reset(); /* where samples stop, or the work on one does not end, it bites */
#ifdef DEVICE_HANG_AT /* a test of the watchdog */
        while (sample == DEVICE_HANG_AT && (GPIOR0 & _BV(WDRF)) == 0) {
        }
#endif
        if (skipped_samples > 0) {
            skipped_samples--;
            continue;
        }
        work_on(count);
#if BOARD_SLEEPS
        sleep_when_quiet();
#endif
    }
}
