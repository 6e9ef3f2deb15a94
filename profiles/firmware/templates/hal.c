#include "config.h"

#include "hal.h"

#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/power.h>
#include <avr/sleep.h>
#include <avr/wdt.h>

/* What differs from chip to chip: the names of the tick timer (8 bits wide, clear on compare), of the interrupt that
 * a change of the trigger's pin gives, and of what is not needed. Pins are in config.h. */
#if defined(__AVR_ATmega328P__)
#define TICK_VECTOR TIMER0_COMPA_vect
#define TICK_MASK TIMSK0
#define TICK_FLAGS TIFR0
#define WAKE_VECTOR PCINT2_vect /* port D */
#define WAKE_ENABLE PCICR
#define WAKE_BIT PCIE2
#define WAKE_PINS PCMSK2
#define UNUSED (_BV(PRTWI) | _BV(PRTIM2) | _BV(PRTIM1) | _BV(PRSPI) | _BV(PRUSART0) | _BV(PRADC))
#elif defined(__AVR_ATtiny84__)
#define TICK_VECTOR TIM0_COMPA_vect
#define TICK_MASK TIMSK0
#define TICK_FLAGS TIFR0
#define WAKE_VECTOR PCINT0_vect /* port A */
#define WAKE_ENABLE GIMSK
#define WAKE_BIT PCIE0
#define WAKE_PINS PCMSK0
#define UNUSED (_BV(PRTIM1) | _BV(PRUSI) | _BV(PRADC))
#else
#error "this chip is not known here: add its names above, and its pins to config.h"
#endif

/* One turn of the waiting loop in hal_send and hal_receive takes 4 cycles, the rest of a cell 8. */
#define CELL_TURNS ((BIT_CYCLES - 8) / 4)
#define CELL_NOPS ((BIT_CYCLES - 8) % 4)

/* Until the first sample is taken: half a cell, less the cycles that went by since the echo began. Those are 2 of
 * the input's synchroniser, 0 to 9 of hal_echo_begins' loop, and 20 of the way from there to the sample. */
#define ECHO_LATENCY 26
#define FIRST_TURNS ((BIT_CYCLES / 2 - ECHO_LATENCY) / 4)

static volatile uint8_t ticks;
static uint8_t why __attribute__((section(".noinit")));

/* Runs before anything else. After a reset by the watchdog it is still on, and at its shortest. */
static void early(void) __attribute__((naked, used, section(".init3")));
static void early(void)
{
    why = MCUSR;
    MCUSR = 0;
    wdt_disable();
}

ISR(TICK_VECTOR)
{
    ticks++;
}

EMPTY_INTERRUPT(WAKE_VECTOR)
EMPTY_INTERRUPT(WDT_vect)

enum reset_cause hal_start(void)
{
    clock_prescale_set(clock_div_1); /* whatever the fuse CKDIV8 says */
    wdt_enable(WDTO_2S);

    /* The level first, then the direction: the line must not twitch. */
#if IDLE_HIGH
    LINE_PORT |= _BV(LINE_BIT);
#else
    LINE_PORT &= (uint8_t)~_BV(LINE_BIT);
#endif
    LINE_DDR |= _BV(LINE_BIT);
    LED_DDR |= _BV(LED_BIT);
#if TRIGGER_PULL_UP
    TRIGGER_PORT |= _BV(TRIGGER_BIT);
#endif
#if WITH_ECHO && IDLE_HIGH
    ECHO_PORT |= _BV(ECHO_BIT); /* an echo input that hangs in the air reads as a line at rest */
#endif
    WAKE_PINS = _BV(TRIGGER_BIT);
    WAKE_ENABLE |= _BV(WAKE_BIT);

    ACSR |= _BV(ACD); /* the comparator and all that has a clock of its own, but the tick's timer */
    PRR = UNUSED;
    TCCR0A = _BV(WGM01);
    TCCR0B = TICK_CLOCK;
    OCR0A = TICK_COMPARE;
    TICK_MASK = _BV(OCIE0A);

    if (why & _BV(WDRF))
        return RESET_WATCHDOG;
    if (why & _BV(BORF) && !(why & _BV(PORF))) /* power coming up sets both */
        return RESET_BROWN_OUT;
    return why & _BV(PORF) ? RESET_POWER : RESET_EXTERNAL;
}

bool hal_trigger(void)
{
    bool high = TRIGGER_PIN & _BV(TRIGGER_BIT);
    return high == TRIGGER_HIGH;
}

void hal_led(bool lit)
{
    if (lit)
        LED_PORT |= _BV(LED_BIT);
    else
        LED_PORT &= (uint8_t)~_BV(LED_BIT);
}

void hal_kick(void)
{
    wdt_reset();
}

uint8_t hal_sleep(bool deep, bool seen)
{
    uint8_t passed;

    set_sleep_mode(deep ? SLEEP_MODE_PWR_DOWN : SLEEP_MODE_IDLE);
    wdt_reset();
    if (deep) {
        TICK_MASK = 0;
        WDTCSR |= _BV(WDIE); /* asleep the watchdog wakes us; awake it resets us */
    }
    cli();
    if ((deep || ticks == 0) && hal_trigger() == seen) {
        sleep_enable();
        sei(); /* the instruction behind sei runs before any interrupt: none is missed */
        sleep_cpu();
        sleep_disable();
    }
    cli();
    if (deep) {
        WDTCSR &= (uint8_t)~_BV(WDIE);
        TICK_MASK = _BV(OCIE0A);
    }
    passed = ticks;
    ticks = 0;
    sei();
    wdt_reset();
    return passed;
}

void hal_quiet_begins(void)
{
    cli();
}

void hal_quiet_ends(void)
{
    ticks = 0;
    sei();
}

void hal_send(uint16_t cells)
{
    uint8_t port = LINE_PORT, count = CELL_COUNT;
    uint16_t turns;

    __asm__ volatile(
        "1: bst %A[cells], 0\n\t"      /* 1: the cell ... */
        "bld %[port], %[bit]\n\t"      /* 1: ... into a copy of the port ... */
        "out %[out], %[port]\n\t"      /* 1: ... and onto the line, always at this cycle */
        "lsr %B[cells]\n\t"            /* 1 */
        "ror %A[cells]\n\t"            /* 1 */
        "movw %[turns], %[full]\n\t"   /* 1 */
        "2: sbiw %[turns], 1\n\t"      /* 4 a turn, 3 the last */
        "brne 2b\n\t"
        ".rept %[nops]\n\tnop\n\t.endr\n\t"
        "dec %[count]\n\t"             /* 1 */
        "brne 1b\n\t"                  /* 2, or 1 and the nop */
        "nop\n\t"
        "bst %A[cells], 0\n\t"         /* the stop bit */
        "bld %[port], %[bit]\n\t"
        "out %[out], %[port]\n\t"
        : [cells] "+r"(cells), [port] "+r"(port), [count] "+r"(count), [turns] "=&w"(turns)
        : [full] "r"((uint16_t)CELL_TURNS), [bit] "I"(LINE_BIT), [out] "I"(_SFR_IO_ADDR(LINE_PORT)),
          [nops] "n"(CELL_NOPS));
}

#if WITH_ECHO

static inline bool echo_idle(void)
{
#if IDLE_HIGH
    return ECHO_PIN & _BV(ECHO_BIT);
#else
    return !(ECHO_PIN & _BV(ECHO_BIT));
#endif
}

bool hal_echo_begins(uint16_t most)
{
    TICK_FLAGS = _BV(OCF0A);
    while (echo_idle())
        if (TICK_FLAGS & _BV(OCF0A)) {
            TICK_FLAGS = _BV(OCF0A);
            wdt_reset();
            if (--most == 0)
                return false;
        }
    return true;
}

uint16_t hal_receive(void)
{
    uint16_t cells = 0, turns = FIRST_TURNS;
    uint8_t pins, count = CELL_COUNT + 1;

    __asm__ volatile(
        "1: sbiw %[turns], 1\n\t"      /* 4 a turn, 3 the last */
        "brne 1b\n\t"
        ".rept %[nops]\n\tnop\n\t.endr\n\t"
        "in %[pins], %[in]\n\t"        /* 1: the sample, always at this cycle */
        "lsr %B[cells]\n\t"            /* 1 */
        "ror %A[cells]\n\t"            /* 1 */
        "bst %[pins], %[bit]\n\t"      /* 1 */
        "bld %B[cells], 7\n\t"         /* 1 */
        "movw %[turns], %[full]\n\t"   /* 1 */
        "dec %[count]\n\t"             /* 1 */
        "brne 1b\n\t"                  /* 2 */
        : [cells] "+r"(cells), [turns] "+w"(turns), [pins] "=&r"(pins), [count] "+r"(count)
        : [full] "r"((uint16_t)CELL_TURNS), [bit] "I"(ECHO_BIT), [in] "I"(_SFR_IO_ADDR(ECHO_PIN)),
          [nops] "n"(CELL_NOPS));
    return cells >> (16 - CELL_COUNT - 1);
}

#endif

void hal_pause(uint32_t tenths)
{
    while (tenths--) {
        wdt_reset();
        __builtin_avr_delay_cycles(F_CPU / 10000 - 7); /* the loop around it takes 8 */
    }
}
