/* Half-band filters over phases in rows, and the ratio of tanh: the structure of busproc/kernels/oversample.py
   and shape.py. layout (levels + 1, 3), neighbours (doublings, phases, most, 2) and weights (.., most) are
   those of the package; two columns. */

#include <math.h>

typedef double four __attribute__((vector_size(32), aligned(8)));

enum { TILE = 128, VALUES = 256, MOST = 52 };
static const int REACH[] = {52, 10, 7, 6, 5};

#define LOAD(at) (*(const four *)(at))
#define STORE(at, v) (*(four *)(at) = (v))

static void between(double *memory, const long *places, const double *weights, int reach, long into, long size) {
    for (long j = 0; j < size; j += 32) {
        four sum[8] = {{0}};
        for (int i = 0; i < reach; i++) {
            four weight = {weights[i], weights[i], weights[i], weights[i]};
            const double *m = memory + places[2 * i] + j, *n = memory + places[2 * i + 1] + j;
#pragma GCC unroll 8
            for (int k = 0; k < 8; k++) sum[k] += weight * (LOAD(m + 4 * k) + LOAD(n + 4 * k));
        }
#pragma GCC unroll 8
        for (int k = 0; k < 8; k++) STORE(memory + into + j + 4 * k, sum[k]);
    }
}

static void forget(double *memory, long start, long length, long rows, long past, long size) {
    for (long row = start; row < start + rows * length; row += length)
        for (long j = 0; j < past; j += 4) STORE(memory + row + j, LOAD(memory + row + size + j));
}

void raise_rate(const long *layout, const long *places, const double *weights, long top, double *memory,
                const double *x, double *fine, long frames) {
    long factor = 1 << top, phases = top ? 1 << (top - 1) : 1;
    for (long first = 0; first < frames; first += TILE) {
        long count = frames - first < TILE ? frames - first : TILE, size = 2 * count;
        for (long j = 0; j < size; j++) memory[layout[2] + j] = x[2 * first + j];
        for (long level = 0; level < top; level++) {
            const long *here = layout + 3 * level, *above = here + 3;
            for (long phase = 0; phase < 1 << level; phase++) {
                long same = above[0] + 2 * phase * above[1] + above[2];
                long now = here[0] + phase * here[1] + here[2] / 2;
                for (long j = 0; j < size; j += 4) STORE(memory + same + j, LOAD(memory + now + j));
                between(memory, places + (level * phases + phase) * MOST * 2, weights + MOST * level,
                        REACH[level], same + above[1], size);
            }
            forget(memory, here[0], here[1], 1 << level, here[2], size);
        }
        for (long phase = 0; phase < factor; phase++) {
            const double *row = memory + layout[3 * top] + phase * layout[3 * top + 1];
            for (long n = 0; n < count; n++) {
                double *to = fine + 2 * (factor * (first + n) + phase);
                to[0] = row[2 * n], to[1] = row[2 * n + 1];
            }
        }
    }
}

void lower_rate(const long *layout, const long *places, const double *weights, long top, double *memory,
                const double *fine, const double *ratio, double *y, long frames) {
    long factor = 1 << top, phases = top ? 1 << (top - 1) : 1;
    const long *high = layout + 3 * top;
    for (long first = 0; first < frames; first += TILE) {
        long count = frames - first < TILE ? frames - first : TILE, size = 2 * count;
        for (long phase = 0; phase < factor; phase++) {
            double *row = memory + high[0] + phase * high[1] + high[2];
            for (long n = 0; n < count; n++) {
                long at = 2 * (factor * (first + n) + phase);
                row[2 * n] = fine[at] * (ratio[at] - 1), row[2 * n + 1] = fine[at + 1] * (ratio[at + 1] - 1);
            }
        }
        for (long level = top - 1; level >= 0; level--) {
            const long *below = layout + 3 * level, *here = below + 3;
            for (long phase = 0; phase < 1 << level; phase++) {
                long into = below[0] + phase * below[1] + below[2];
                long now = here[0] + 2 * phase * here[1] + here[2] / 2;
                between(memory, places + (level * phases + phase) * MOST * 2, weights + MOST * level,
                        REACH[level], into, size);
                for (long j = 0; j < size; j += 4)
                    STORE(memory + into + j, 0.5 * (LOAD(memory + now + j) + LOAD(memory + into + j)));
            }
            forget(memory, here[0], here[1], 2 << level, here[2], size);
        }
        for (long j = 0; j < size; j++) y[2 * first + j] = memory[j];
    }
}

static inline double twice(double e) { return e * (e + 2); }

void tanh_ratio(const double *restrict x, double *restrict ratio, long values, double drive, double mix) {
    double e[VALUES];
    for (long first = 0; first < values; first += VALUES) {
        long size = values - first < VALUES ? values - first : VALUES;
        const double *sound = x + first;
        double *made = ratio + first;
        for (long n = 0; n < size; n++) {
            double z = fabs(drive * sound[n]), t = (z < 20 ? z : 20) / -64, t2 = t * t, t4 = t2 * t2;
            double low = (1 + t * (1 / 2.)) + t2 * (1 / 6. + t * (1 / 24.));
            double middle = (1 / 120. + t * (1 / 720.)) + t2 * (1 / 5040. + t * (1 / 40320.));
            double high = 1 / 362880. + t * (1 / 3628800.) + t2 * (1 / 39916800.);
            e[n] = t * (low + t4 * (middle + t4 * high));
        }
        for (long n = 0; n < size; n++) e[n] = twice(twice(twice(twice(twice(twice(twice(e[n])))))));
        for (long n = 0; n < size; n++) {
            double z = fabs(drive * sound[n]), bent = 1 + mix * (-e[n] / ((e[n] + 2) * z) - 1);
            made[n] = z >= 1e-8 ? bent : 1;
        }
    }
}

void tanh_ratio_of_the_library(const double *x, double *ratio, long values, double drive, double mix) {
    for (long n = 0; n < values; n++) {
        double z = drive * x[n];
        ratio[n] = fabs(z) < 1e-8 ? 1 : 1 + mix * (tanh(z) / z - 1);
    }
}
