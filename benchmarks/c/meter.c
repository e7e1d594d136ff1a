/* Level, K-weighted energy and true peak: the structure of busproc/kernels/stereo.py, loudness.py and
   true_peak.py, two channels. */

#include <math.h>
#include <string.h>

typedef double four __attribute__((vector_size(32), aligned(8)));

enum { CELLS = 100, WEIGHED_AT_ONCE = 512, TILE = 1024, GROUP = 64, POINTS = 8 };

#define LOAD(at) (*(const four *)(at))
#define STORE(at, v) (*(four *)(at) = (v))
#define ALL(x) (four){x, x, x, x}
#define MAX(a, b) ((a) > (b) ? (a) : (b))
#define MIN(a, b) ((a) < (b) ? (a) : (b))

void tally(const double *audio, double *sums, long frames) {
    double left = sums[0], right = sums[1], product = sums[2];
    for (long i = 0; i < frames; i++) {
        double l = audio[2 * i], r = audio[2 * i + 1];
        left += l * l, right += r * r, product += l * r;
    }
    const long *bits = (const long *)audio;
    long most = 0;
    for (long i = 0; i < 2 * frames; i++) most = MAX(most, bits[i] & 0x7fffffffffffffff);
    double peak;
    memcpy(&peak, &most, 8);
    sums[0] = left, sums[1] = right, sums[2] = product, sums[3] = MAX(sums[3], peak);
}

static long cell_edge(long cell, long rate) { return (cell * rate + CELLS / 2) / CELLS; }

static void weigh(const double *heard, const double *design, double *middle, double *weighed, long size) {
    four z[9], a2 = ALL(design[9]), a4 = ALL(design[10]), c2 = ALL(design[11]), c4 = ALL(design[12]);
    for (int k = 0; k < 9; k++) z[k] = ALL(design[k]);
    four before = LOAD(middle), now = LOAD(middle + 4), out_before = LOAD(weighed), out = LOAD(weighed + 4);
    for (long j = 0; j < size; j += 4) {
        const double *x = heard + j;
        four early = (z[0] * LOAD(x + 16) + z[1] * LOAD(x + 14)) + z[2] * LOAD(x + 12);
        four later = (z[3] * LOAD(x + 10) + z[4] * LOAD(x + 8)) + z[5] * LOAD(x + 6);
        four late = (z[6] * LOAD(x + 4) + z[7] * LOAD(x + 2)) + z[8] * LOAD(x);
        four two = (((early + later) + late) - a4 * before) - a2 * now;
        before = now, now = two;
        two = (now - c4 * out_before) - c2 * out;
        out_before = out, out = two;
        STORE(middle + j + 8, now);
        STORE(weighed + j + 8, out);
    }
}

static double energy(double *values, long size) {
    for (long i = size; i % 8; i++) values[i] = 0;
    four even = ALL(0.0), odd = ALL(0.0);
    for (long i = 0; i < size; i += 8) {
        four one = LOAD(values + i), other = LOAD(values + i + 4);
        even = even + one * one, odd = odd + other * other;
    }
    four sum = even + odd;
    return (sum[0] + sum[1]) + (sum[2] + sum[3]);
}

static void sweep(double *values) {
    for (int i = 0; i < 8; i++)
        if (fabs(values[i]) < 1e-30) values[i] = 0;
}

long weigh_into_cells(const double *audio, const double *design, double *past, double *weighed,
                      long frames_before, long cells_before, long rate, double *cells, long frames) {
    static double heard[18 + 2 * WEIGHED_AT_ONCE], middle[10 + 2 * WEIGHED_AT_ONCE];
    memcpy(heard, past, 16 * 8), memcpy(middle, past + 16, 8 * 8);
    long done = 0;
    for (long start = 0; start < frames;) {
        long begin = cell_edge(cells_before + done, rate) - frames_before;
        long edge = cell_edge(cells_before + done + 1, rate) - frames_before;
        long stop = MIN(MIN(edge, frames), start + WEIGHED_AT_ONCE), size = 2 * (stop - start);
        memcpy(heard + 16, audio + 2 * start, 8 * size);
        weigh(heard, design, middle, weighed + 2 * (start - begin), size);
        memmove(heard, heard + size, 16 * 8), memmove(middle, middle + size, 8 * 8);
        start = stop;
        if (stop == edge) {
            long values = 2 * (edge - begin);
            cells[done++] = energy(weighed + 8, values);
            memmove(weighed, weighed + values, 8 * 8);
            sweep(middle), sweep(weighed);
        }
    }
    memcpy(past, heard, 16 * 8), memcpy(past + 16, middle, 8 * 8);
    return done;
}

static float largest(const float *values, const float *others, long size) {
    const int *bits = (const int *)values, *more = (const int *)others;
    int most = 0;
    for (long i = 0; i < size; i++) {
        int one = bits[i] & 0x7fffffff, other = more[i] & 0x7fffffff;
        most = MAX(most, MAX(one, other));
    }
    float peak;
    memcpy(&peak, &most, 4);
    return peak;
}

static void fill_half_way(const float *restrict wave, const float *restrict t, float *restrict halves, long size) {
    for (long i = 0; i < size; i++) {
        const float *w = wave + i;
        float near = t[0] * (w[22] + w[24]) + t[1] * (w[20] + w[26]);
        float next = t[2] * (w[18] + w[28]) + t[3] * (w[16] + w[30]);
        float more = t[4] * (w[14] + w[32]) + t[5] * (w[12] + w[34]);
        float and_more = t[6] * (w[10] + w[36]) + t[7] * (w[8] + w[38]);
        float far = t[8] * (w[6] + w[40]) + t[9] * (w[4] + w[42]);
        float farthest = t[10] * (w[2] + w[44]) + t[11] * (w[0] + w[46]);
        halves[i] = ((near + next) + (more + and_more)) + (far + farthest);
    }
}

static double look(const double *wave, const double *taps, long groups, long rows) {
    double most = 0;
    for (long g = 0; g < groups; g++, taps += POINTS * rows) {
        four sum = ALL(0.0), more = ALL(0.0);
        for (long k = 0; k < rows; k++) {
            four value = ALL(wave[2 * k]);
            sum = sum + value * LOAD(taps + POINTS * k), more = more + value * LOAD(taps + POINTS * k + 4);
        }
        for (int k = 0; k < 4; k++) most = MAX(most, MAX(fabs(sum[k]), fabs(more[k])));
    }
    return most;
}

static double search(const float *frames, const float *halves, const double *wave, const float *taps,
                     const double *exact, long groups, long rows, const double *reach, float most,
                     double highest, long size) {
    float one[GROUP], other[GROUP], limit = (highest - reach[4] * most) / reach[3];
    const float *half = halves + 2, *then = frames + 2, *later = halves + 4;
    for (long i = 0; i < size; i++) {
        one[i] = taps[0] * (frames[i] + half[i]) + taps[1] * (halves[i] + then[i]);
        other[i] = taps[0] * (half[i] + then[i]) + taps[1] * (frames[i] + later[i]);
    }
    for (long i = 0; i < size; i++)
        if (fabsf(frames[i]) > limit || fabsf(half[i]) > limit || fabsf(then[i]) > limit ||
            fabsf(one[i]) > limit || fabsf(other[i]) > limit) {
            highest = MAX(highest, look(wave + i, exact, groups, rows));
            limit = (highest - reach[4] * most) / reach[3];
        }
    return highest;
}

/* The rows before the first are in history; highest (1) is updated. */
void interpolated_peak(const double *audio, double *history, const double *taps, long groups, long rows,
                       const float *half_taps, const float *quarter_taps, const double *reach,
                       double *highest, long frames) {
    static double wave[TILE + 1024];
    static float rough[TILE + 1024], halves[TILE + 1024];
    long context = 2 * (rows - 1), late = context / 4;
    const float *now = rough + 2 * late, *around = rough + 2 * (late - 12);
    memcpy(wave, history, 8 * context);
    for (long start = 0; start < 2 * frames; start += TILE) {
        long size = MIN(TILE, 2 * frames - start), middle = (context + size) / 2;
        memcpy(wave + context, audio + start, 8 * size);
        for (long i = 0; i < context + size; i++) rough[i] = wave[i];
        float most = largest(rough, rough + middle, middle);
        if (reach[0] * most > *highest) {
            fill_half_way(around, half_taps, halves, size + 4);
            for (long first = 0; first < size; first += GROUP) {
                long count = MIN(GROUP, size - first);
                float coarse = largest(now + first, halves + first, count + 2);
                if (reach[1] * coarse + reach[2] * most > *highest)
                    *highest = search(now + first, halves + first, wave + first, quarter_taps, taps, groups,
                                      rows, reach, most, *highest, count);
            }
        }
        memmove(wave, wave + size, 8 * context);
    }
    memcpy(history, wave, 8 * context);
}
