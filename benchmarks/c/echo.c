/* An echo on both sides, interpolated eight frames at a time, and copies that wander, frame by frame: the
   work of busproc/stages/echoes.py and copies.py. */

#include <math.h>

typedef double four __attribute__((vector_size(32), aligned(8), may_alias));

enum { TAPS = 128, TILE = 8, BEHIND = TAPS + TILE, NEAR = 32, PLACES = 256 };

/* line (length + BEHIND, 2): a ring whose first frames stand behind it again, so that taps read on.
   memory (4 for each section: two of left and right each). */
void echo(const double *restrict x, double *restrict y, long frames, double *restrict line, long length,
          long *restrict at, long whole, const double *restrict taps, long count, const double *rows,
          long sections, double *restrict memory, double feedback, double dry, double wet) {
    long lag = count == 1 ? whole : whole + TAPS / 2;
    double sums[2 * TILE];
    for (long n = 0; n < frames; n++) {
        double *side = sums + 2 * (n % TILE);
        if (n % TILE == 0) {
            const double *from = line + 2 * (*at - lag + (*at < lag ? length : 0));
            four a = {0}, b = {0}, c = {0}, d = {0};
            for (long k = 0; k < count; k++, from += 2) {
                a += taps[k] * *(const four *)from;
                b += taps[k] * *(const four *)(from + 4);
                c += taps[k] * *(const four *)(from + 8);
                d += taps[k] * *(const four *)(from + 12);
            }
            four *into = (four *)sums;
            into[0] = a, into[1] = b, into[2] = c, into[3] = d;
        }
        for (long s = 0; s < sections; s++) {
            const double *row = rows + 5 * s;
            for (int c = 0; c < 2; c++) {
                double *m = memory + 4 * s + c, in = side[c];
                side[c] = row[0] * in + m[0];
                m[0] = row[1] * in + m[2] - row[3] * side[c];
                m[2] = row[2] * in - row[4] * side[c];
            }
        }
        for (int c = 0; c < 2; c++) {
            double in = x[2 * n + c], next = in + feedback * side[c];
            line[2 * *at + c] = next;
            if (*at < BEHIND) line[2 * (*at + length) + c] = next;
            y[2 * n + c] = dry * in + wet * side[c];
        }
        if (++*at == length) *at = 0;
    }
}

/* heard (past + frames): mid; aims (copies, aims_count); gains (copies, 2). */
void copies(const double *restrict x, double *restrict y, long frames, double *restrict heard, long past,
            long first, const double *aims, long count, const double *steps, long number,
            const double *table, const double *gains, double dry) {
    for (long n = 0; n < frames; n++) heard[past + n] = 0.5 * (x[2 * n] + x[2 * n + 1]);
    for (long n = 0; n < frames; n++) {
        double left = dry * x[2 * n], right = dry * x[2 * n + 1];
        for (long c = 0; c < number; c++) {
            double when = (first + n) / steps[c], t = when - floor(when);
            long k = (long)floor(when) % count, next = (k + 1) % count;
            double here = aims[c * count + k], there = aims[c * count + next];
            double delay = here + t * t * (3 - 2 * t) * (there - here);
            long whole = (long)delay;
            double place = (delay - whole) * PLACES;
            long row = (long)place;
            double share = place - row, sums[4] = {0, 0, 0, 0};
            const double *one = table + row * NEAR, *from = heard + past + n - whole - NEAR / 2;
            for (int i = 0; i < NEAR; i += 4)
                for (int j = 0; j < 4; j++)
                    sums[j] += (one[i + j] + share * (one[NEAR + i + j] - one[i + j])) * from[i + j];
            double value = (sums[0] + sums[1]) + (sums[2] + sums[3]);
            left += gains[2 * c] * value;
            right += gains[2 * c + 1] * value;
        }
        y[2 * n] = left;
        y[2 * n + 1] = right;
    }
    for (long n = 0; n < past; n++) heard[n] = heard[frames + n];
}
