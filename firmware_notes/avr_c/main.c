/* Hose gauge adapter, ATmega328P at 16 MHz, avr-libc only.
 *
 *   A0  signal of a ratiometric 0.5-4.5 V transducer (through 1 kOhm, 1 uF to ground)
 *   A1  the transducer's own supply, sensed at its end of the cable (same filter)
 *   reference AVcc, the same 5 V that feeds the transducer
 *
 * Timer 1 ticks 1600 times a second, exactly (16 MHz / 10000). Each tick converts A0, A1, A1, A0,
 * which fills 0.45 of its 0.625 ms: both have their middle at the same moment. Sixteen ticks are one
 * sample: 10 ms on the crystal, so the rate cannot drift, and the 32 readings of each are spread over
 * the whole sample, which also averages out what is faster than it. Neither is filtered any further:
 * a supply that is slower than the signal makes pressure out of every step of the supply.
 * The sum of 32 readings (0..32736) divided by 8 is sent: full scale 4092, one count 1.22 mV.
 * That is 12 bits only as long as the input carries about half a 10-bit step of noise or more;
 * without any noise the counts move in steps of 4.
 */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/pgmspace.h>
#include <avr/sleep.h>
#include <avr/wdt.h>
#include <stdint.h>
#include <util/crc16.h>

#ifndef ADAPTER_ID
#define ADAPTER_ID "hose-c" /* give every adapter its own: 1 to 40 letters, digits, - only */
#endif
_Static_assert(sizeof(ADAPTER_ID) - 1 >= 1 && sizeof(ADAPTER_ID) - 1 <= 40,
               "ADAPTER_ID has 1 to 40 characters");
#ifndef START_SEQ /* both starts are settable so that the wraps can be tested */
#define START_SEQ 0
#endif
#ifndef START_US
#define START_US 0
#endif

#define ANNOUNCEMENT "A,1," ADAPTER_ID ",1.0,4092,100"
#define FULL_SCALE 4092
#define TICKS_PER_SAMPLE 16
#define CONVERSIONS_PER_TICK 4 /* signal, supply, supply, signal */
#define TICK_US 625u
#define ANNOUNCE_SAMPLES 500 /* 5 s */
#define FAULT_SAMPLES 50     /* at least 0.5 s between two fault lines */

/* ---------------------------------------------------------------- sampling, in interrupts */

struct sample {
    uint16_t seq;
    uint32_t us;
    uint16_t signal; /* sum of 32 */
    uint16_t supply; /* sum of 32 */
    uint8_t whole;   /* both sums really hold 32 conversions */
};

static volatile struct sample ready[4];
static volatile uint8_t ready_in, ready_out;

static uint16_t signal_sum, supply_sum;
static uint8_t conversions;    /* of this sample */
static uint8_t tick_conversion; /* of this tick, 0..3 */

ISR(ADC_vect)
{
    if (ADMUX & 1)
        supply_sum += ADC;
    else
        signal_sum += ADC;
    conversions++;
    if (++tick_conversion < CONVERSIONS_PER_TICK) {
        ADMUX = tick_conversion < 3 ? _BV(REFS0) | 1 : _BV(REFS0);
        ADCSRA |= _BV(ADSC);
    }
}

ISR(TIMER1_COMPA_vect)
{
    static uint32_t us = START_US;
    static uint16_t seq = START_SEQ;
    static uint8_t ticks;

    /* the conversions of the tick before are over: 4 x 104 us and their interrupts, of 625 us */
    us += TICK_US; /* uint32_t: wraps as the wire says */
    if (ticks == TICKS_PER_SAMPLE) {
        uint8_t next = (ready_in + 1) & 3;
        if (next != ready_out) { /* full: this sample is lost and the sequence shows it */
            ready[ready_in].seq = seq;
            ready[ready_in].us = us;
            ready[ready_in].signal = signal_sum;
            ready[ready_in].supply = supply_sum;
            ready[ready_in].whole = conversions == TICKS_PER_SAMPLE * CONVERSIONS_PER_TICK;
            ready_in = next;
        }
        seq++;
        signal_sum = supply_sum = 0;
        ticks = conversions = 0;
    }
    ticks++;
    tick_conversion = 0;
    ADMUX = _BV(REFS0);
    ADCSRA |= _BV(ADSC);
}

static void start_sampling(void)
{
    ADMUX = _BV(REFS0);
    ADCSRA = _BV(ADEN) | _BV(ADIE) | _BV(ADPS2) | _BV(ADPS1) | _BV(ADPS0); /* 125 kHz */
    DIDR0 = _BV(ADC0D) | _BV(ADC1D);
    TCCR1A = 0;
    TCCR1B = _BV(WGM12) | _BV(CS10); /* clear on compare match: no drift */
    OCR1A = 9999;
    TIMSK1 = _BV(OCIE1A);
}

/* ---------------------------------------------------------------- serial port, 115200 8N1 */

static volatile uint8_t out[256]; /* its indexes wrap by themselves */
static volatile uint8_t out_in, out_out;
static volatile uint8_t asked;

ISR(USART_UDRE_vect)
{
    if (out_out == out_in)
        UCSR0B &= (uint8_t)~_BV(UDRIE0);
    else
        UDR0 = out[out_out++];
}

ISR(USART_RX_vect)
{
    static uint8_t before;
    uint8_t c = UDR0;
    if (c == '\r')
        return;
    if (c == '\n' && before == '?')
        asked = 1;
    before = c;
}

static void start_serial(void)
{
    UCSR0A = _BV(U2X0); /* before UBRR0 */
    UBRR0 = 16;         /* 117647 baud, 2.1 % fast, as every 16 MHz board is */
    UCSR0C = _BV(UCSZ01) | _BV(UCSZ00);
    UCSR0B = _BV(RXEN0) | _BV(TXEN0) | _BV(RXCIE0);
}

static void put_byte(uint8_t c)
{
    while ((uint8_t)(out_in + 1) == out_out)
        sleep_mode();
    out[out_in] = c;
    out_in++;
    UCSR0B |= _BV(UDRIE0);
}

/* ---------------------------------------------------------------- lines */

static uint16_t crc;

static void body_char(char c)
{
    crc = _crc_xmodem_update(crc, (uint8_t)c);
    put_byte((uint8_t)c);
}

static void body_text(PGM_P text)
{
    char c;
    while ((c = (char)pgm_read_byte(text++)) != 0)
        body_char(c);
}

static void body_number(uint32_t n)
{
    char digits[10];
    uint8_t i = 0;
    do
        digits[i++] = (char)('0' + n % 10);
    while (n /= 10);
    while (i)
        body_char(digits[--i]);
}

static void end_line(void)
{
    static const char hex[] PROGMEM = "0123456789ABCDEF";
    uint16_t check = crc;
    put_byte('*');
    for (int8_t shift = 12; shift >= 0; shift -= 4)
        put_byte(pgm_read_byte(&hex[(check >> shift) & 15]));
    put_byte('\n');
    crc = 0;
}

static void send_announcement(void)
{
    body_text(PSTR(ANNOUNCEMENT));
    end_line();
}

static void send_sample(uint16_t seq, uint32_t us, uint16_t counts, uint16_t supply)
{
    body_text(PSTR("S,"));
    body_number(seq);
    body_char(',');
    body_number(us);
    body_char(',');
    body_number(counts);
    body_char(',');
    if (supply >= FULL_SCALE / 2) /* half of it is no supply that works: its sense wire is off, and
                                     nothing can be divided by it; the field stays empty */
        body_number(supply);
    body_char(','); /* no thermometer: the last field stays empty */
    end_line();
}

static void send_fault(uint32_t us, PGM_P word)
{
    body_text(PSTR("F,"));
    body_number(us);
    body_char(',');
    body_text(word);
    end_line();
}

/* ---------------------------------------------------------------- what is wrong */

static PGM_P fault_of(uint16_t counts, uint16_t supply, uint8_t whole)
{
    if (!whole)
        return PSTR("adc");
    if (supply < FULL_SCALE / 10u * 9u) /* below 90 % of the board's own supply */
        return PSTR("supply");
    if (counts > supply / 25u * 24u) /* above 96 %: a good sensor stays below 90 % */
        return PSTR("short");
    if (counts < supply / 25u) /* below 4 %: the pull-down has it; a good sensor gives 10 % */
        return PSTR("open");
    return 0;
}

/* A watchdog reset leaves the watchdog running at its shortest time: switch it off first. */
void watchdog_off(void) __attribute__((naked, used, section(".init3")));
void watchdog_off(void)
{
    MCUSR = 0;
    wdt_disable();
}

int main(void)
{
    uint16_t since_announcement = 0;
    uint8_t fault_pause = 0;

    start_serial();
    set_sleep_mode(SLEEP_MODE_IDLE);
    sei();
    send_announcement();
    start_sampling();
    wdt_enable(WDTO_500MS);

    for (;;) {
        sleep_mode(); /* any interrupt wakes it */
        if (asked) {
            asked = 0;
            send_announcement();
        }
        if (ready_out == ready_in)
            continue;
        wdt_reset(); /* only a new sample feeds the dog: a dead timer resets the board too */
        uint16_t seq = ready[ready_out].seq;
        uint32_t us = ready[ready_out].us;
        uint16_t counts = ready[ready_out].signal / 8;
        uint16_t supply = ready[ready_out].supply / 8;
        uint8_t whole = ready[ready_out].whole;
        ready_out = (ready_out + 1) & 3;

#ifdef HANG_AT_SEQ /* for the watchdog's test */
        if (seq == HANG_AT_SEQ)
            for (;;) {
            }
#endif
        PGM_P word = fault_of(counts, supply, whole);
        if (fault_pause)
            fault_pause--;
        if (word && !fault_pause) {
            send_fault(us, word);
            fault_pause = FAULT_SAMPLES;
        }
        if (whole) /* else there is no sample; its number is used up */
            send_sample(seq, us, counts, supply);
        if (++since_announcement == ANNOUNCE_SAMPLES) {
            since_announcement = 0;
            send_announcement();
        }
    }
}
