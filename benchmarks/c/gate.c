/* A gate: level in dB, the highest within the hold, two states and a one-pole, and the gain; the structure of
   busproc/stages/gate.py. numbers (6): threshold, hysteresis, slope, range, attack, release.
   memory (2): reduction, whether open. */

#include <math.h>
#include <stdint.h>
#include <string.h>

static const double OCTAVE_DB = 6.020599913279624, LN2 = 0.6931471805599453, TINY = 1e-30;

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

static void hold(double *x, long length, double *values, long *at, long *ends, long frames) {
    long head = ends[0], held = ends[1], frame = ends[2], tail = (head + held + length - 1) % length;
    for (long n = 0; n < frames; n++, frame++) {
        while (held > 0 && values[tail] <= x[n]) held--, tail = tail > 0 ? tail - 1 : length - 1;
        if (held > 0 && at[head] <= frame - length) held--, head = head + 1 < length ? head + 1 : 0;
        held++, tail = tail + 1 < length ? tail + 1 : 0;
        values[tail] = x[n], at[tail] = frame;
        x[n] = values[head];
    }
    ends[0] = head, ends[1] = held, ends[2] = frame;
}

void gain_of_gate(const double *restrict x, double *restrict gain, long frames, const double *numbers,
                  double *memory, long length, double *values, long *at, long *ends) {
    double threshold = numbers[0], hysteresis = numbers[1], slope = numbers[2], most = numbers[3];
    double now = memory[0], open = memory[1];
    for (long n = 0; n < frames; n++)
        gain[n] = OCTAVE_DB * octaves_of(greater(fabs(x[2 * n]), fabs(x[2 * n + 1])));
    hold(gain, length, values, at, ends, frames);
    for (long n = 0; n < frames; n++) {
        int stays = gain[n] >= threshold - open * hysteresis;
        double under = greater(greater(lesser(slope * (threshold - gain[n]), most), 0), TINY);
        double wanted = stays ? TINY : under, keep = wanted > now ? numbers[5] : numbers[4];
        open = stays;
        now = keep * now + (1 - keep) * wanted;
        gain[n] = now;
    }
    for (long n = 0; n < frames; n++) gain[n] = power_of_two(gain[n] * (-1 / OCTAVE_DB));
    memory[0] = now, memory[1] = open;
}

/* made: what leaves; waiting (ahead, 2): what has not yet left */
void apply_later(const double *restrict x, const double *restrict gain, double *restrict made, double *waiting,
                 long ahead, long frames) {
    for (long n = 0; n < frames; n++) {
        const double *from = n < ahead ? waiting + 2 * n : x + 2 * (n - ahead);
        made[2 * n] = gain[n] * from[0];
        made[2 * n + 1] = gain[n] * from[1];
    }
    memcpy(waiting, x + 2 * (frames - ahead), 2 * ahead * sizeof(double));
}
