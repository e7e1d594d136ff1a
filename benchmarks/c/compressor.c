/* A compressor: the structure of gain_of_sound in busproc/kernels/dynamics.py, and the plain form with the
   library's logarithm and power for every sample. numbers (9): what the former takes, from keep on.
   memory (3): mean squares of both sides, reduction. */

#include <math.h>
#include <stdint.h>
#include <string.h>

enum { TILE = 32 };

static const double OCTAVE_DB = 6.020599913279624, LN2 = 0.6931471805599453, TINY = 1e-30, HARD_DB = 1e-9;

static inline double lesser(double a, double b) { return a < b ? a : b; }
static inline double greater(double a, double b) { return a > b ? a : b; }

static inline uint64_t bits_of(double value) {
    uint64_t bits;
    memcpy(&bits, &value, 8);
    return bits;
}

static inline double from_bits(uint64_t bits) {
    double value;
    memcpy(&value, &bits, 8);
    return value;
}

static inline double octaves_of(double level) {
    uint64_t lifted = bits_of(level) + (0x3FF0000000000000u - 0x3FE6A09E667F3BCDu);
    double whole = from_bits(lifted >> 52 | 0x4330000000000000u) - (4503599627370496.0 + 1023);
    double part = from_bits((lifted & 0x000FFFFFFFFFFFFFu) + 0x3FE6A09E667F3BCDu);
    double s = (part - 1) / (part + 1), z = s * s, c = 2 / LN2;
    return whole + s * (c + z * (2 / (LN2 * 3) + z * (2 / (LN2 * 5) + z * (2 / (LN2 * 7)
                   + z * (2 / (LN2 * 9) + z * (2 / (LN2 * 11)))))));
}

static inline double power_of_two(double octaves) {
    static const double e[] = {1.0, 0.6931471805599453, 0.24022650695910072, 0.05550410866482158,
                               0.009618129107628477, 0.0013333558146428443, 0.0001540353039338161,
                               1.5252733804059841e-05, 1.3215486790144307e-06, 1.0178086009239699e-07};
    double rounded = octaves + 6755399441055744.0, f = octaves - (rounded - 6755399441055744.0);
    double high = e[5] + f * (e[6] + f * (e[7] + f * (e[8] + f * e[9])));
    double part = 1 + f * (e[1] + f * (e[2] + f * (e[3] + f * (e[4] + f * high))));
    return part * from_bits((bits_of(rounded) + 1023) << 52);
}

void gain_of_sound(const double *restrict x, double *restrict gain, long frames, const double *numbers,
                   double *memory) {
    double keep = numbers[0], threshold = numbers[1], slope = numbers[2], knee = numbers[3], most = numbers[4];
    double attack = numbers[5], release = numbers[6], dry = numbers[7], wet = numbers[8];
    double left = memory[0], right = memory[1], now = memory[2], tile[TILE];
    double bend = knee > HARD_DB ? 0.5 / knee : 0, take = 1 - keep, rise = 1 - attack, fall = 1 - release;
#define LISTEN                                                                                            \
    left = keep * left + (take * (coming[2 * n] * coming[2 * n]) + TINY);                                 \
    right = keep * right + (take * (coming[2 * n + 1] * coming[2 * n + 1]) + TINY);                       \
    tile[n] = greater(left, right);
#define FOLLOW                                                                                            \
    double goal = greater(tile[n], TINY);                                                                 \
    now = greater(attack * now + rise * goal, release * now + fall * goal);                               \
    given[n] = now;
    for (long first = -TILE, followed = 0; first < frames; first += TILE) {
        long left_over = frames - first - TILE, heard = left_over < 0 ? 0 : left_over < TILE ? left_over : TILE;
        long both = heard < followed ? heard : followed;
        const double *coming = x + 2 * (first + TILE);
        double *given = gain + first;
        for (long n = 0; n < both; n++) { FOLLOW LISTEN }
        for (long n = both; n < followed; n++) { FOLLOW }
        for (long n = both; n < heard; n++) { LISTEN }
        for (long n = 0; n < heard; n++) {
            double level = OCTAVE_DB / 2 * octaves_of(tile[n]) + OCTAVE_DB / 2;
            double above = level - threshold + 0.5 * knee, inside = lesser(greater(above, 0), knee);
            tile[n] = lesser(slope * (inside * inside * bend + greater(above - knee, 0)), most);
        }
        for (long n = 0; n < followed; n++) given[n] = dry + wet * power_of_two(given[n] * (-1 / OCTAVE_DB));
        followed = heard;
    }
    memory[0] = left, memory[1] = right, memory[2] = now;
}

void apply_gain(const double *restrict x, const double *restrict gain, double *restrict y, long frames) {
    for (long n = 0; n < frames; n++) {
        y[2 * n] = gain[n] * x[2 * n];
        y[2 * n + 1] = gain[n] * x[2 * n + 1];
    }
}

void plain(const double *restrict x, double *restrict y, long frames, const double *numbers, double *memory) {
    double keep = numbers[0], threshold = numbers[1], slope = numbers[2], knee = numbers[3], most = numbers[4];
    double attack = numbers[5], release = numbers[6], dry = numbers[7], wet = numbers[8];
    double left = memory[0], right = memory[1], now = memory[2];
    for (long n = 0; n < frames; n++) {
        left = keep * left + (1 - keep) * x[2 * n] * x[2 * n];
        right = keep * right + (1 - keep) * x[2 * n + 1] * x[2 * n + 1];
        double over = 10 * log10(2 * greater(left, right) + TINY) - threshold, wanted = 0;
        if (2 * over >= knee) wanted = slope * over;
        else if (2 * over > -knee) wanted = slope * (over + knee / 2) * (over + knee / 2) / (2 * knee);
        wanted = lesser(wanted, most);
        double kept = wanted > now ? attack : release;
        now = kept * now + (1 - kept) * wanted;
        double gain = dry + wet * pow(10, now / -20);
        y[2 * n] = gain * x[2 * n];
        y[2 * n + 1] = gain * x[2 * n + 1];
    }
    memory[0] = left, memory[1] = right, memory[2] = now;
}
