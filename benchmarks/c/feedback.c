/* A feedback delay network of sixteen lines, as busproc/kernels/feedback.py has it. */

#include <math.h>

#define LINES 16
#define TINY 1e-30

static double absorb(double value, const double *r, double *m) {
    double y = r[0] * value + m[0];
    double m0 = (r[1] * value + m[1]) - r[3] * y;
    double m1 = r[2] * value - r[4] * y;
    double z = r[5] * y + m[2];
    double m2 = (r[6] * y + m[3]) - r[8] * z;
    double m3 = r[7] * y - r[9] * z;
    if ((fabs(value) + fabs(m0)) + (fabs(m1) + fabs(m2)) + fabs(m3) <= TINY)
        m0 = m1 = m2 = m3 = 0.0;
    m[0] = m0, m[1] = m1, m[2] = m2, m[3] = m3;
    return z;
}

static void mix_all(double *line) {
    for (int stride = 1; stride < LINES; stride *= 2)
        for (int start = 0; start < LINES; start += 2 * stride)
            for (int k = start; k < start + stride; k++) {
                double one = line[k], other = line[k + stride];
                line[k] = one + other;
                line[k + stride] = one - other;
            }
    for (int k = 0; k < LINES; k++)
        line[k] *= 0.25;
}

static void turn_pairs(double *line, double *turning, const double *turns) {
    for (int k = 0; k < LINES / 2; k++) {
        double c = turning[2 * k], s = turning[2 * k + 1];
        double one = line[k], other = line[k + LINES / 2];
        line[k] = c * one - s * other;
        line[k + LINES / 2] = s * one + c * other;
        turning[2 * k] = c * turns[2 * k] - s * turns[2 * k + 1];
        turning[2 * k + 1] = c * turns[2 * k + 1] + s * turns[2 * k];
    }
}

void run_network(const double *restrict x, long frames, double *restrict out, const long *restrict ends,
                 long *restrict at, double *restrict ring, const double *restrict rows,
                 double *restrict memory, double *restrict turning, const double *restrict turns) {
    double line[LINES];
    for (long n = 0; n < frames; n++) {
        for (int k = 0; k < LINES; k++)
            line[k] = absorb(ring[at[k]], rows + 10 * k, memory + 4 * k);
        double left = 0.0, right = 0.0;
        for (int k = 0; k < LINES; k += 4) {
            left += (line[k] - line[k + 1]) + (line[k + 2] - line[k + 3]);
            right += (line[k] + line[k + 1]) - (line[k + 2] + line[k + 3]);
        }
        out[2 * n] = left, out[2 * n + 1] = right;
        turn_pairs(line, turning, turns);
        mix_all(line);
        for (int k = 0; k < LINES; k += 2) {
            line[k] += k & 2 ? x[2 * n] : -x[2 * n];
            line[k + 1] += k & 4 ? x[2 * n + 1] : -x[2 * n + 1];
        }
        for (int k = 0; k < LINES; k++) {
            ring[at[k]] = fabs(line[k]) > TINY ? line[k] : 0.0;
            at[k] = at[k] + 1 < ends[k + 1] ? at[k] + 1 : ends[k];
        }
    }
}
