/* A streaming limiter: the structure of busproc/kernels/limit.py behind eight times the rate. */

#include <stdint.h>
#include <string.h>

#include "oversample.c"

typedef long places __attribute__((vector_size(32)));

enum { FACTOR = 8, CELL = 2 * FACTOR };

static const double SNAP = 1e-6, ONE = 68719476736.0, REFINED_FROM = 0.88;

static inline double greater(double a, double b) { return a > b ? a : b; }

static int reaches(const double *values, long count, double least) {
    four bound = {least, least, least, least};
    places loud = {0};
    for (long at = 0; at < count; at += 4)
        loud |= (four)((places)LOAD(values + at) & 0x7fffffffffffffff) >= bound;
    return (loud[0] | loud[1] | loud[2] | loud[3]) != 0;
}

static double peak_of_cell(const double *values) {
    double found[CELL], peak = 0;
    for (long i = 0; i < CELL; i++) {
        double before = fabs(values[i]), middle = fabs(values[i + 2]), after = fabs(values[i + 4]);
        int highest = (middle > before) & (middle >= after);
        double bend = highest ? before - 2 * middle + after : -1;
        double top = highest ? middle - (before - after) * (before - after) / (8 * bend) : after;
        found[i] = greater(top, after);
    }
    for (long i = 0; i < CELL; i++) peak = greater(peak, found[i]);
    return peak;
}

/* memory (4): the two frames before; wanted: the gain each frame asks for */
void peaks_in_cells(const double *fine, double *memory, double ceiling, double *wanted, long frames) {
    double first[4 + CELL], least = REFINED_FROM * ceiling;
    memcpy(first, memory, 4 * sizeof(double));
    memcpy(first + 4, fine, CELL * sizeof(double));
    for (long n = 0; n < frames; n++) {
        const double *cell = n ? fine + n * CELL - 4 : first;
        double peak = reaches(cell, 4 + CELL, least) ? peak_of_cell(cell) : 0;
        wanted[n] = ceiling / greater(peak, ceiling);
    }
    memcpy(memory, fine + frames * CELL - 4, 4 * sizeof(double));
}

void slide_minimum(double *x, long length, double *values, long *at, long *ends, long frames) {
    long head = ends[0], held = ends[1], frame = ends[2], tail = (head + held + length - 1) % length;
    for (long n = 0; n < frames; n++, frame++) {
        while (held > 0 && values[tail] >= x[n]) held--, tail = tail > 0 ? tail - 1 : length - 1;
        if (held > 0 && at[head] <= frame - length) held--, head = head + 1 < length ? head + 1 : 0;
        held++, tail = tail + 1 < length ? tail + 1 : 0;
        values[tail] = x[n], at[tail] = frame;
        x[n] = values[head];
    }
    ends[0] = head, ends[1] = held, ends[2] = frame;
}

void release(double *x, double fast_keep, double slow_up_keep, double slow_down_keep, double share,
             double *memory, long frames) {
    double fast = memory[0], slow = memory[1];
    for (long n = 0; n < frames; n++) {
        double depth = 1 - x[n], aim = share * depth;
        slow = aim + (aim > slow ? slow_up_keep : slow_down_keep) * (slow - aim);
        if (slow < SNAP) slow = 0;
        double left = fast * fast_keep;
        fast = greater(depth - slow, left > SNAP ? left : 0);
        x[n] = 1 - greater(depth, slow + fast);
    }
    memory[0] = fast, memory[1] = slow;
}

/* rings (3, longest), sums (3), at (3); whole is room for the frames */
void ease(double *x, const long *lengths, long *rings, long longest, long *sums, long *at, long *whole,
          long frames) {
    for (long n = 0; n < frames; n++) whole[n] = (long)(x[n] * ONE);
    for (long k = 0; k < 3; k++) {
        long *ring = rings + k * longest, total = sums[k], place = at[k];
        for (long n = 0; n < frames; n++) {
            total += whole[n] - ring[place];
            ring[place] = whole[n];
            place = place + 1 < lengths[k] ? place + 1 : 0;
            whole[n] = total;
        }
        double part = 1.0 / lengths[k];
        for (long n = 0; n < frames; n++) whole[n] = (long)((whole[n] + 0.5) * part);
        sums[k] = total, at[k] = place;
    }
    for (long n = 0; n < frames; n++) x[n] = whole[n] / ONE;
}

/* waiting (late, 2) and the block itself are what a delay line holds; y (frames, 2) */
void apply_late(const double *restrict x, const double *restrict gain, double *restrict waiting, long late,
                double *restrict y, long frames) {
    long old = late < frames ? late : frames;
    for (long n = 0; n < old; n++) y[2 * n] = gain[n] * waiting[2 * n], y[2 * n + 1] = gain[n] * waiting[2 * n + 1];
    for (long n = old; n < frames; n++)
        y[2 * n] = gain[n] * x[2 * (n - late)], y[2 * n + 1] = gain[n] * x[2 * (n - late) + 1];
    memmove(waiting, waiting + 2 * old, 2 * (late - old) * sizeof(double));
    memcpy(waiting + 2 * (late - old), x + 2 * (frames - old), 2 * old * sizeof(double));
}
