// Hose gauge adapter for an ATmega328P board at 16 MHz.
//
//   A0  signal of a ratiometric 0.5-4.5 V transducer (through 1 kOhm, 1 uF to ground)
//   A1  the transducer's own supply, sensed at its end of the cable (same filter)
//
// 100 samples a second. Timer 1 ticks 1600 times a second and reads A0, A1, A1, A0, so that both
// have their middle at the same moment; sixteen ticks are one sample. The time comes from the tick
// count, so nothing that the loop does can make it drift. The sums of 32 readings divided by 8 are
// sent: full scale 4092, 1.22 mV a count. That is 12 bits only if the input carries about half a
// 10-bit step of noise. Neither is filtered any further: a supply that is slower than the signal
// makes pressure out of every step of the supply.
#include <avr/sleep.h>
#include <avr/wdt.h>
#include <util/crc16.h>

#ifndef ADAPTER_ID
#define ADAPTER_ID "hose-ino"  // give every adapter its own: 1 to 40 letters, digits, - only
#endif
static_assert(sizeof(ADAPTER_ID) - 1 >= 1 && sizeof(ADAPTER_ID) - 1 <= 40,
              "ADAPTER_ID has 1 to 40 characters");
#ifndef START_SEQ  // both starts are settable so that the wraps can be tested
#define START_SEQ 0
#endif
#ifndef START_US
#define START_US 0
#endif

const uint16_t FULL_SCALE = 4092;
const uint8_t TICKS_PER_SAMPLE = 16;
const uint8_t CONVERSIONS_PER_TICK = 4;  // signal, supply, supply, signal: 0.45 of 0.625 ms
const uint16_t ANNOUNCE_SAMPLES = 500;  // 5 s
const uint8_t FAULT_SAMPLES = 50;       // at least 0.5 s between two fault lines

struct Sample {
  uint16_t seq;
  uint32_t us;
  uint16_t signal;  // sums of 32 readings
  uint16_t supply;
  bool whole;       // both sums really hold 32 readings
};

volatile Sample ready[4];
volatile uint8_t readyIn = 0, readyOut = 0;
volatile uint16_t signalSum = 0, supplySum = 0;
volatile uint8_t conversions = 0;     // of this sample
volatile uint8_t tickConversion = 0;  // of this tick, 0..3

// ---------------------------------------------------------------- sampling, in interrupts

ISR(ADC_vect) {
  if (ADMUX & 1)
    supplySum += ADC;
  else
    signalSum += ADC;
  conversions++;
  if (++tickConversion < CONVERSIONS_PER_TICK) {
    ADMUX = tickConversion < 3 ? bit(REFS0) | 1 : bit(REFS0);
    ADCSRA |= bit(ADSC);
  }
}

ISR(TIMER1_COMPA_vect) {
  static uint32_t us = START_US;
  static uint16_t seq = START_SEQ;
  static uint8_t ticks = 0;

  us += 625;  // uint32_t: wraps as the wire says
  if (ticks == TICKS_PER_SAMPLE) {
    uint8_t next = (readyIn + 1) & 3;
    if (next != readyOut) {  // full: this sample is lost and the sequence shows it
      ready[readyIn].seq = seq;
      ready[readyIn].us = us;
      ready[readyIn].signal = signalSum;
      ready[readyIn].supply = supplySum;
      ready[readyIn].whole = conversions == TICKS_PER_SAMPLE * CONVERSIONS_PER_TICK;
      readyIn = next;
    }
    seq++;
    signalSum = supplySum = 0;
    ticks = conversions = 0;
  }
  ticks++;
  tickConversion = 0;
  ADMUX = bit(REFS0);
  ADCSRA |= bit(ADSC);
}

// ---------------------------------------------------------------- lines

// One line is built whole, checked, and written: body * four upper-case hex digits LF.
char line[64];  // the longest is the announcement: 63 bytes where the id has its 40
uint8_t length = 0;

void addText(const char *text) {
  while (*text)
    line[length++] = *text++;
}

void addNumber(uint32_t n) {
  char digits[11];
  ultoa(n, digits, 10);
  addText(digits);
}

void sendLine() {
  static const char hex[] = "0123456789ABCDEF";
  uint16_t crc = 0;
  for (uint8_t i = 0; i < length; i++)
    crc = _crc_xmodem_update(crc, (uint8_t)line[i]);  // not _crc_ccitt_update
  line[length++] = '*';
  for (int8_t shift = 12; shift >= 0; shift -= 4)
    line[length++] = hex[(crc >> shift) & 15];
  line[length++] = '\n';
  Serial.write((const uint8_t *)line, length);
  length = 0;
}

void sendAnnouncement() {
  addText("A,1," ADAPTER_ID ",1.0,4092,100");
  sendLine();
}

void sendSample(uint16_t seq, uint32_t us, uint16_t counts, uint16_t supply) {
  addText("S,");
  addNumber(seq);
  addText(",");
  addNumber(us);
  addText(",");
  addNumber(counts);
  addText(",");
  if (supply >= FULL_SCALE / 2)  // half of it is no supply that works: its sense wire is off, and
    addNumber(supply);           // nothing can be divided by it; the field stays empty
  addText(",");  // no thermometer: the last field stays empty
  sendLine();
}

void sendFault(uint32_t us, const char *word) {
  addText("F,");
  addNumber(us);
  addText(",");
  addText(word);
  sendLine();
}

const char *faultOf(uint16_t counts, uint16_t supply, bool whole) {
  if (!whole)
    return "adc";
  if (supply < FULL_SCALE / 10 * 9)  // below 90 % of the board's own supply
    return "supply";
  if (counts > supply / 25 * 24)  // above 96 %: a good sensor stays below 90 %
    return "short";
  if (counts < supply / 25)  // below 4 %: the pull-down has it; a good sensor gives 10 %
    return "open";
  return nullptr;
}

// ---------------------------------------------------------------- the sketch

// A watchdog reset leaves the watchdog running at its shortest time: switch it off first.
void watchdogOff() __attribute__((naked, used, section(".init3")));
void watchdogOff() {
  MCUSR = 0;
  wdt_disable();
}

void setup() {
  Serial.begin(115200);
  sendAnnouncement();
  noInterrupts();
  ADMUX = bit(REFS0);  // reference AVcc, input A0
  ADCSRA = bit(ADEN) | bit(ADIE) | bit(ADPS2) | bit(ADPS1) | bit(ADPS0);  // 125 kHz
  TCCR1A = 0;
  TCCR1B = bit(WGM12) | bit(CS10);  // clear on compare match: no drift
  OCR1A = 9999;                     // 16 MHz / 10000 = 1600 a second, exactly
  TIMSK1 = bit(OCIE1A);
  interrupts();
  set_sleep_mode(SLEEP_MODE_IDLE);
  wdt_enable(WDTO_500MS);
}

void loop() {
  static char before = 0;
  static uint16_t sinceAnnouncement = 0;
  static uint8_t faultPause = 0;

  bool asked = false;
  while (Serial.available()) {
    char c = (char)Serial.read();
    if (c == '\r')
      continue;
    if (c == '\n' && before == '?')
      asked = true;
    before = c;
  }
  if (asked)  // once, however often: a flood of questions must not cost samples
    sendAnnouncement();
  if (readyOut == readyIn) {
    sleep_mode();  // any interrupt wakes it; a sleeping processor is a quiet one
    return;
  }

  wdt_reset();  // only a new sample feeds the dog: a dead timer resets the board too
  uint16_t seq = ready[readyOut].seq;
  uint32_t us = ready[readyOut].us;
  uint16_t counts = ready[readyOut].signal / 8;
  uint16_t supply = ready[readyOut].supply / 8;
  bool whole = ready[readyOut].whole;
  readyOut = (readyOut + 1) & 3;

#ifdef HANG_AT_SEQ  // for the watchdog's test
  if (seq == HANG_AT_SEQ)
    for (;;) {
    }
#endif
  const char *word = faultOf(counts, supply, whole);
  if (faultPause)
    faultPause--;
  if (word && !faultPause) {
    sendFault(us, word);
    faultPause = FAULT_SAMPLES;
  }
  if (whole)  // else there is no sample; its number is used up
    sendSample(seq, us, counts, supply);
  if (++sinceAnnouncement == ANNOUNCE_SAMPLES) {
    sinceAnnouncement = 0;
    sendAnnouncement();
  }
}
