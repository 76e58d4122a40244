/* Runs a firmware in an instruction-set simulator (libsimavr), with counts at its converter's pin.
 *
 *     simulator FIRMWARE.elf COUNTS.bin FS_HZ CLOCK_HZ [option VALUE]...
 *
 *     COUNTS.bin        unsigned 16-bit counts, low byte first; their time goes on in a reset and asleep
 *     --eeprom FILE     read it before, where it exists, and write it after
 *     --serial FILE     write there what leaves the serial line
 *     --reset-at N      brown-out at count N; may be given again
 *     --wake-over D     the wake pin is high while a count is over D from the middle
 *     --clear 1         the jumper that clears failures is closed
 *     --flood 1         a byte comes in over the serial line every millisecond
 *
 * Prints `start,COUNT`, `reset,COUNT`, `release,COUNT,LEVEL` and at the end `total,NAME,VALUE`.
 *
 * It is compiled on the machine that runs it; libsimavr is under the GPL and is no part of tapsig.
 * Traits of simavr 1.6 that it minds: millivolts are read when ADCL is read, and scaled by 1023; the converter is not
 * started by timers; its own sleep really sleeps; a reset empties all cycle timers; setting the EEPROM answers -1; a low
 * level at PD2 or PD3 is polled every cycle, whether or not its interrupt is enabled; a byte on the serial line takes 11
 * bits, as if it had a parity bit (set right here, to 10).
 */
#include <inttypes.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <simavr/avr_adc.h>
#include <simavr/avr_eeprom.h>
#include <simavr/avr_ioport.h>
#include <simavr/avr_uart.h>
#include <simavr/sim_avr.h>
#include <simavr/sim_elf.h>
#include <simavr/sim_irq.h>

#define SUPPLY_MV 5000
#define MOST_RESETS 16
#define PAINT 0xC5
#define MCUSR_AT 0x54
#define SMCR_AT 0x53
#define UBRR0_AT 0xC4
#define POWER_DOWN 2
#define AFTER_S 5 /* goes on so long at most where the firmware no longer samples */

static avr_t *avr;
static avr_irq_t *pin_adc, *pin_wake, *pin_serial;
static avr_uart_t *uart;
static avr_adc_t *adc;
static uint16_t *counts;
static size_t size, next_reset, resets;
static size_t reset_at[MOST_RESETS];
static double period; /* cycles a count */
static int wake_over = -1;
static bool floods, level_at_wake;
static FILE *serial;

static bool any, ended, jumps = true;
static size_t now; /* the count being converted */
static avr_cycle_count_t now_at;

/* Cycles of a byte: a start bit, eight bits and a stop bit of UBRR0 + 1 times 8 cycles (U2X0) each. */
static void set_serial_pace(void)
{
    if (uart) {
        const uint16_t divider = (uint16_t)(avr->data[UBRR0_AT] | (avr->data[UBRR0_AT + 1] & 15) << 8);
        uart->cycles_per_byte = 10u * 8u * (divider + 1u);
    }
}

/* Of each millisecond of the core's work. */
static avr_cycle_count_t slept, deep, window_at, window_slept, busiest, busy, watched;
static size_t window, fill;

static void die(const char *why)
{
    fprintf(stderr, "simulator: %s\n", why);
    exit(2);
}

static void load_counts(const char *path)
{
    FILE *file = fopen(path, "rb");
    if (!file) {
        die("the counts cannot be opened");
    }
    fseek(file, 0, SEEK_END);
    size = (size_t)ftell(file) / 2;
    rewind(file);
    counts = malloc(size * 2 + 2);
    if (!counts || size == 0 || fread(counts, 2, size, file) != size) {
        die("there are no counts");
    }
    fclose(file);
}

/* The least millivolts that the simulated converter turns into `count`. */
static uint32_t to_millivolts(uint16_t count)
{
    return ((uint32_t)count * SUPPLY_MV + 1022) / 1023;
}

/* Which count the world has come to. */
static size_t count_at(avr_cycle_count_t cycle)
{
    return any ? now + (size_t)((double)(cycle - now_at) / period + 0.5) : 0;
}

static void end_window(void)
{
    const avr_cycle_count_t all = avr->cycle - window_at;
    const avr_cycle_count_t awake = all - (slept - window_slept);
    busiest = awake > busiest ? awake : busiest;
    busy += awake;
    watched += all;
}

static void on_conversion(avr_irq_t *irq, uint32_t value, void *param)
{
    union {
        avr_adc_mux_t mux;
        uint32_t v;
    } ask = {.v = value};
    (void)irq;
    (void)param;
    if (ask.mux.kind != ADC_MUX_SINGLE || ask.mux.src != 0 || adc->first) {
        return; /* the first after the converter is switched on is thrown away: it takes no count */
    }
    now = !any ? 0 : jumps ? count_at(avr->cycle) : now + 1;
    now_at = avr->cycle;
    any = true;
    if (now >= size) {
        ended = true;
        return;
    }
    if (jumps) {
        set_serial_pace(); /* the firmware has set its own by then */
        printf("start,%zu\n", now);
        fill = 0;
    } else if (++fill == window) {
        end_window();
        fill = 0;
    }
    if (fill == 0) {
        window_at = avr->cycle;
        window_slept = slept;
    }
    jumps = false;
    avr_raise_irq(pin_adc, to_millivolts(counts[now]));
}

static void on_release(avr_irq_t *irq, uint32_t value, void *param)
{
    static bool before;
    (void)irq;
    (void)param;
    if ((value != 0) != before) {
        before = value != 0;
        printf("release,%zu,%d\n", now, before);
    }
}

static void on_serial(avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq;
    (void)param;
    if (serial) {
        fputc((int)(value & 0xFF), serial);
    }
}

/* The comparator at the wake pin. */
static avr_cycle_count_t on_step(avr_t *a, avr_cycle_count_t when, void *param)
{
    const size_t at = count_at(a->cycle);
    (void)param;
    if (at < size) {
        const bool high = abs((int)counts[at] - 512) > wake_over;
        if (high != level_at_wake) {
            level_at_wake = high;
            avr_raise_irq(pin_wake, high);
        }
    }
    return when + (avr_cycle_count_t)period;
}

static avr_cycle_count_t on_flood(avr_t *a, avr_cycle_count_t when, void *param)
{
    static uint8_t byte;
    (void)param;
    avr_raise_irq(pin_serial, byte++);
    return when + a->frequency / 1000;
}

/* Simulated cycles pass at once; simavr's own sleep would call usleep. */
static void on_sleep(avr_t *a, avr_cycle_count_t how_long)
{
    slept += how_long + 1;
    if (((a->data[SMCR_AT] >> 1) & 7) == POWER_DOWN) {
        deep += how_long + 1;
        jumps = true;
    }
}

static void quiet(avr_t *a, const int level, const char *format, va_list args)
{
    (void)a;
    if (level <= LOG_ERROR) {
        vfprintf(stderr, format, args);
    }
}

/* A reset clears the pins' register but not what the simulator remembers of them: a pull-up must be seen to rise. */
static void begin(void)
{
    avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('D'), 5), 0);
    if (wake_over >= 0) {
        avr_cycle_timer_register(avr, (avr_cycle_count_t)period, on_step, NULL);
    }
    if (floods) {
        avr_cycle_timer_register(avr, avr->frequency / 1000, on_flood, NULL);
    }
}

static void brown_out(void)
{
    printf("reset,%zu\n", count_at(avr->cycle));
    avr_reset(avr);
    avr->data[MCUSR_AT] |= 4;
    jumps = true;
    begin();
}

static void move_eeprom(const char *path, bool out)
{
    uint8_t bytes[1024];
    avr_eeprom_desc_t desc = {.ee = bytes, .offset = 0, .size = sizeof bytes};
    FILE *file = fopen(path, out ? "wb" : "rb");
    if (!file) {
        if (out) {
            die("the EEPROM's file cannot be written");
        }
        return;
    }
    if (out) {
        desc.ee = NULL; /* asks for the simulator's own bytes */
        avr_ioctl(avr, AVR_IOCTL_EEPROM_GET, &desc);
        fwrite(desc.ee, 1, desc.size, file);
    } else {
        desc.size = (uint32_t)fread(bytes, 1, sizeof bytes, file);
        avr_ioctl(avr, AVR_IOCTL_EEPROM_SET, &desc);
    }
    fclose(file);
}

static void load_firmware(const char *path, elf_firmware_t *firmware)
{
    avr_global_logger_set(quiet);
    if (elf_read_firmware(path, firmware) == -1) {
        die("the firmware cannot be read");
    }
    avr = avr_make_mcu_by_name("atmega328p");
    if (!avr) {
        die("simavr does not know the controller");
    }
    avr_init(avr);
    firmware->vcc = firmware->avcc = firmware->aref = SUPPLY_MV;
    avr_load_firmware(avr, firmware); /* takes frequency and voltages over: after avr_init, which sets 1 MHz */
    avr->sleep = on_sleep;
    avr->log = LOG_ERROR;
    avr->gdb_port = 0; /* a crash ends the run instead of waiting for a debugger */
    pin_adc = avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, ADC_IRQ_ADC0);
    pin_wake = avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('D'), 4);
    pin_serial = avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_INPUT);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, ADC_IRQ_OUT_TRIGGER), on_conversion, NULL);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('B'), 1), on_release, NULL);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT), on_serial, NULL);
    for (avr_io_t *port = avr->io_port; port; port = port->next) {
        if (!strcmp(port->kind, "uart")) {
            uart = (avr_uart_t *)port;
        } else if (!strcmp(port->kind, "adc")) {
            adc = (avr_adc_t *)port;
        }
    }
    uint32_t flags = 0; /* neither echo to stdout nor usleep while the firmware polls */
    avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
}

/* Bytes of stack that were ever written to: RAM above the variables was painted before. */
static unsigned measure_stack(unsigned first)
{
    unsigned at = first;
    while (at <= avr->ramend && avr->data[at] == PAINT) {
        at++;
    }
    return avr->ramend + 1 - at;
}

static int run(unsigned first_free)
{
    int state = cpu_Running;
    memset(avr->data + first_free, PAINT, avr->ramend + 1u - first_free);
    begin();
    while (!ended) {
        const avr_run_t before = avr->run;
        state = avr_run(avr);
        if (state == cpu_Done || state == cpu_Crashed) {
            break;
        }
        if (before != avr->run && avr->pc == avr->reset_pc) { /* by the watchdog */
            printf("reset,%zu\n", count_at(avr->cycle));
            jumps = true;
            begin();
        }
        if (next_reset < resets && any && count_at(avr->cycle) >= reset_at[next_reset]) {
            next_reset++;
            brown_out();
        }
        if (count_at(avr->cycle) > size + (size_t)(AFTER_S * avr->frequency / period) / AFTER_S) {
            break;
        }
    }
    return state;
}

int main(int argc, char **argv)
{
    static elf_firmware_t firmware; /* 1.6 wants it zeroed */
    const char *eeprom = NULL;
    bool clears = false;
    if (argc < 5 || argc % 2 == 0) {
        die("usage: simulator FIRMWARE.elf COUNTS.bin FS_HZ CLOCK_HZ [option VALUE]...");
    }
    load_counts(argv[2]);
    firmware.frequency = (uint32_t)atol(argv[4]);
    for (int i = 5; i + 1 < argc; i += 2) {
        const char *value = argv[i + 1];
        if (!strcmp(argv[i], "--eeprom")) {
            eeprom = value;
        } else if (!strcmp(argv[i], "--serial")) {
            serial = fopen(value, "wb");
        } else if (!strcmp(argv[i], "--reset-at") && resets < MOST_RESETS) {
            reset_at[resets++] = (size_t)atol(value);
        } else if (!strcmp(argv[i], "--wake-over")) {
            wake_over = atoi(value);
        } else if (!strcmp(argv[i], "--clear")) {
            clears = atoi(value);
        } else if (!strcmp(argv[i], "--flood")) {
            floods = atoi(value);
        } else {
            die("there is no such option");
        }
    }
    const uint32_t clock_hz = firmware.frequency;
    load_firmware(argv[1], &firmware);
    avr->frequency = clock_hz;
    period = avr->frequency / atof(argv[3]);
    window = (size_t)(atof(argv[3]) / 1000 + 0.5);
    window = window > 0 ? window : 1;
    if (eeprom) {
        move_eeprom(eeprom, false);
    }
    if (clears) {
        avr_ioport_external_t jumper = {.name = 'D', .mask = 1 << 5, .value = 0};
        avr_ioctl(avr, AVR_IOCTL_IOPORT_SET_EXTERNAL('D'), &jumper);
    }
    const unsigned first_free = 0x100u + firmware.datasize + firmware.bsssize;
    const int state = run(first_free);
    printf("total,state,%d\n", state);
    printf("total,cycles,%" PRIu64 "\n", (uint64_t)avr->cycle);
    printf("total,asleep,%" PRIu64 "\n", (uint64_t)slept);
    printf("total,deep,%" PRIu64 "\n", (uint64_t)deep);
    printf("total,watched,%" PRIu64 "\n", (uint64_t)watched);
    printf("total,busy,%" PRIu64 "\n", (uint64_t)busy);
    printf("total,busiest,%" PRIu64 "\n", (uint64_t)busiest);
    printf("total,window_cycles,%" PRIu64 "\n", (uint64_t)(period * (double)window + 0.5));
    printf("total,stack,%u\n", measure_stack(first_free));
    if (eeprom) {
        move_eeprom(eeprom, true);
    }
    if (serial) {
        fclose(serial);
    }
    avr_terminate(avr);
    free(counts);
    return state == cpu_Crashed;
}
