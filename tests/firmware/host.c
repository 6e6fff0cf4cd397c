/* Runs firmware for an ATmega328P on libsimavr with its serial port on a real pseudo-terminal.
 *
 *     host FIRMWARE.elf WAVEFORM SECONDS [name=value]...
 *
 * WAVEFORM: lines "time_s volts_A0 volts_A1", times rising; straight lines between them, the ends
 * held. SECONDS of the simulated board are run. Names:
 *
 *     noise_mv=, seed=     standard deviation of seeded noise on A0
 *     adc_off=, adc_on=    the converter is switched off at the one time (s) and on again at the other
 *     pace=                run at this many times real time; 0: as fast as it goes
 *     drop=1               a full pseudo-terminal loses bytes, as a serial line does that nobody reads;
 *                          without it a slow reader slows the simulation down and nothing is lost
 *     lines=PATH           for each line that begins to be sent: its first byte and the cycle of it
 *
 * Prints the path of the pseudo-terminal, waits for a line on standard input (so that the reader can
 * open it first and see the boot), runs, prints "done CYCLES DROPPED_BYTES", waits for the end of
 * standard input.
 */
#define _GNU_SOURCE
#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <poll.h>
#include <pty.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#include <simavr/avr_adc.h>
#include <simavr/avr_ioport.h>
#include <simavr/avr_uart.h>
#include <simavr/sim_avr.h>
#include <simavr/sim_elf.h>

#define HZ 16000000.0
#define LOOK_CYCLES 80000 /* look for bytes from the host every 5 ms of the board's time */

struct point {
    double t, a0, a1;
};
static struct point *wave;
static size_t wave_n, wave_at;
static double noise_mv, adc_off = -1.0, adc_on = -1.0, pace;
static uint64_t random_state;
static int drop;
static FILE *lines;

static avr_t *avr;
static avr_irq_t *adc_irq, *uart_irq;
static int master;
static uint8_t out[512];
static size_t out_n;
static unsigned long long dropped;

static double uniform(void) /* xorshift64*, (0, 1) */
{
    random_state ^= random_state >> 12;
    random_state ^= random_state << 25;
    random_state ^= random_state >> 27;
    return ((double)((random_state * 2685821657736338717ULL) >> 11) + 0.5) / 9007199254740992.0;
}

static void die(const char *what)
{
    fprintf(stderr, "host: %s: %s\n", what, strerror(errno));
    exit(1);
}

static void load_wave(const char *path)
{
    FILE *f = fopen(path, "r");
    struct point p;
    size_t room = 0;
    if (!f)
        die(path);
    while (fscanf(f, "%lf %lf %lf", &p.t, &p.a0, &p.a1) == 3) {
        if (wave_n == room) {
            room = room ? 2 * room : 1024;
            wave = realloc(wave, room * sizeof *wave);
            if (!wave)
                die("memory");
        }
        wave[wave_n++] = p;
    }
    fclose(f);
    if (!wave_n) {
        errno = EINVAL;
        die("waveform without points");
    }
}

static double volts_now(int channel)
{
    double t = (double)avr->cycle / HZ;
    while (wave_at + 1 < wave_n && wave[wave_at + 1].t <= t)
        wave_at++;
    const struct point *a = &wave[wave_at];
    double va = channel ? a->a1 : a->a0;
    if (t <= a->t || wave_at + 1 == wave_n)
        return va;
    const struct point *b = a + 1;
    double vb = channel ? b->a1 : b->a0;
    return va + (vb - va) * (t - a->t) / (b->t - a->t);
}

static void on_conversion(avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq;
    (void)param;
    union {
        avr_adc_mux_t mux;
        uint32_t v;
    } u = {.v = value};
    int channel = u.mux.src;
    if (channel > 1)
        return;
    double mv = 1000.0 * volts_now(channel);
    if (noise_mv > 0.0 && channel == 0)
        mv += noise_mv * sqrt(-2.0 * log(uniform())) * cos(6.283185307179586 * uniform());
    avr_raise_irq(adc_irq + ADC_IRQ_ADC0 + channel, mv <= 0.0 ? 0 : (uint32_t)lrint(mv));
}

static void flush_out(void)
{
    size_t at = 0;
    while (at < out_n) {
        ssize_t n = write(master, out + at, out_n - at);
        if (n > 0)
            at += (size_t)n;
        else if (n < 0 && errno == EAGAIN && drop) {
            dropped += out_n - at;
            break;
        } else if (n < 0 && errno == EAGAIN) {
            struct pollfd p = {.fd = master, .events = POLLOUT};
            poll(&p, 1, 1000);
        } else if (errno != EINTR)
            die("pseudo-terminal");
    }
    out_n = 0;
}

static void on_byte(avr_irq_t *irq, uint32_t value, void *param)
{
    static int within;
    (void)irq;
    (void)param;
    if (lines && !within)
        fprintf(lines, "%c %llu\n", (char)value, (unsigned long long)avr->cycle);
    within = value != '\n';
    out[out_n++] = (uint8_t)value;
    if (out_n == sizeof out || value == '\n')
        flush_out();
}

/* The converter's enable bit, as a disturbance would turn it over. */
static void disturb(void)
{
    enum { ADCSRA = 0x7A, ADEN = 1 << 7, ADSC = 1 << 6 };
    double t = (double)avr->cycle / HZ;
    if (adc_off >= 0.0 && t >= adc_off) {
        avr->data[ADCSRA] &= (uint8_t)~ADEN;
        adc_off = -1.0;
    }
    if (adc_on >= 0.0 && t >= adc_on) {
        avr->data[ADCSRA] = (uint8_t)((avr->data[ADCSRA] & ~ADSC) | ADEN);
        adc_on = -1.0;
    }
}

static double real_time_s(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

static void keep_pace(void)
{
    static double begin;
    if (begin == 0.0)
        begin = real_time_s();
    double early = begin + (double)avr->cycle / HZ / pace - real_time_s();
    if (early > 0.0) {
        struct timespec t = {.tv_sec = (time_t)early, .tv_nsec = (long)(1e9 * fmod(early, 1.0))};
        nanosleep(&t, NULL);
    }
}

/* Bytes for the board go in one at a time, in a cycle timer, slower than the line would carry them. */
static avr_cycle_count_t look(avr_t *a, avr_cycle_count_t when, void *param)
{
    (void)a;
    (void)param;
    uint8_t c;
    disturb();
    if (pace > 0.0)
        keep_pace();
    if (read(master, &c, 1) == 1) {
        avr_raise_irq(uart_irq + UART_IRQ_INPUT, c);
        return when + 4000;
    }
    return when + LOOK_CYCLES;
}

static void no_sleep(avr_t *a, avr_cycle_count_t how_long)
{
    (void)a;
    (void)how_long; /* the board's time has nothing to do with ours */
}

static void quiet(avr_t *a, const int level, const char *format, va_list ap)
{
    (void)a;
    if (level <= LOG_ERROR)
        vfprintf(stderr, format, ap);
}

static void option(const char *text)
{
    const char *value = strchr(text, '=');
    size_t n = value ? (size_t)(value++ - text) : 0;
    if (n == 8 && !strncmp(text, "noise_mv", n))
        noise_mv = atof(value);
    else if (n == 4 && !strncmp(text, "seed", n))
        random_state = 0x9E3779B97F4A7C15ULL ^ strtoull(value, NULL, 10);
    else if (n == 7 && !strncmp(text, "adc_off", n))
        adc_off = atof(value);
    else if (n == 6 && !strncmp(text, "adc_on", n))
        adc_on = atof(value);
    else if (n == 4 && !strncmp(text, "pace", n))
        pace = atof(value);
    else if (n == 4 && !strncmp(text, "drop", n))
        drop = atoi(value);
    else if (n == 5 && !strncmp(text, "lines", n)) {
        if (!(lines = fopen(value, "w")))
            die(value);
        setvbuf(lines, NULL, _IOLBF, 256);
    } else {
        errno = EINVAL;
        die(text);
    }
}

int main(int argc, char **argv)
{
    if (argc < 4) {
        fprintf(stderr, "usage: host FIRMWARE.elf WAVEFORM SECONDS [name=value]...\n");
        return 2;
    }
    load_wave(argv[2]);
    double seconds = atof(argv[3]);
    random_state = 0x9E3779B97F4A7C15ULL ^ 1;
    for (int i = 4; i < argc; i++)
        option(argv[i]);

    int slave;
    char name[256];
    struct termios raw;
    if (openpty(&master, &slave, name, NULL, NULL))
        die("openpty");
    tcgetattr(slave, &raw);
    cfmakeraw(&raw);
    tcsetattr(slave, TCSANOW, &raw); /* the slave stays open here: closing the reader is no hang-up */
    fcntl(master, F_SETFL, fcntl(master, F_GETFL) | O_NONBLOCK);

    avr_global_logger_set(quiet);
    elf_firmware_t fw = {0};
    if (elf_read_firmware(argv[1], &fw)) {
        fprintf(stderr, "host: cannot read %s\n", argv[1]);
        return 1;
    }
    avr = avr_make_mcu_by_name("atmega328p");
    if (!avr)
        return 1;
    avr_init(avr);
    fw.frequency = (uint32_t)HZ;
    fw.vcc = fw.avcc = fw.aref = 5000;
    avr_load_firmware(avr, &fw);
    avr->sleep = no_sleep;

    adc_irq = avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, 0);
    avr_irq_register_notify(adc_irq + ADC_IRQ_OUT_TRIGGER, on_conversion, NULL);
    uart_irq = avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), 0);
    avr_irq_register_notify(uart_irq + UART_IRQ_OUTPUT, on_byte, NULL);
    uint32_t flags = 0;
    avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags); /* no console, no sleeping when polled */

    printf("%s\n", name);
    fflush(stdout);
    if (getchar() == EOF)
        return 0;

    avr_cycle_timer_register(avr, LOOK_CYCLES, look, NULL);
    avr_cycle_count_t end = (avr_cycle_count_t)(seconds * HZ), check = 0;
    int state = cpu_Running;
    while (avr->cycle < end && state != cpu_Done && state != cpu_Crashed) {
        state = avr_run(avr);
        if (avr->cycle > check) { /* a watchdog reset clears all cycle timers: ours comes back */
            check = avr->cycle + 2 * LOOK_CYCLES;
            if (!avr_cycle_timer_status(avr, look, NULL))
                avr_cycle_timer_register(avr, LOOK_CYCLES, look, NULL);
        }
    }
    flush_out();
    if (lines)
        fclose(lines);
    printf("%s %llu %llu\n", state == cpu_Crashed ? "crashed" : "done", (unsigned long long)avr->cycle,
           dropped);
    fflush(stdout);
    while (getchar() != EOF) {
    }
    return state == cpu_Crashed;
}
