/* One block of stereo by overlap-save in equal parts, as busproc/kernels/fourier.py has it. */

#include <string.h>

static double *transform(double *before, double *after, const double *turns, long size) {
    long half = size / 2;
    for (long stride = 1; stride <= half; stride *= 2) {
        double *restrict re = before, *restrict im = before + size;
        double *restrict to_re = after, *restrict to_im = after + size;
        for (long at = 0; at < half; at += stride) {
            double turn_re = turns[at], turn_im = turns[half + at];
            for (long n = at; n < at + stride; n++) {
                double less_re = re[n] - re[half + n], less_im = im[n] - im[half + n];
                to_re[at + n] = re[n] + re[half + n];
                to_im[at + n] = im[n] + im[half + n];
                to_re[at + n + stride] = less_re * turn_re - less_im * turn_im;
                to_im[at + n + stride] = less_re * turn_im + less_im * turn_re;
            }
        }
        double *swap = before;
        before = after, after = swap;
    }
    return before;
}

static void add(double *restrict sum, const double *restrict heard, const double *restrict part, long size) {
    for (long k = 0; k < size; k++) {
        sum[k] += heard[k] * part[size + k] + heard[size + k] * part[k];
        sum[size + k] += heard[k] * part[k] - heard[size + k] * part[size + k];
    }
}

static void add_crossed(double *restrict sum, const double *restrict heard, const double *restrict part,
                        long size) {
    for (long k = 0; k < size; k++) {
        long mirror = k ? size - k : 0;
        double left = heard[size + mirror], right = heard[mirror];
        sum[k] += left * part[size + k] + right * part[k];
        sum[size + k] += left * part[k] - right * part[size + k];
    }
}

/* work: 4 * size values; out: size / 2 frames of left and right. */
void convolve_block(const double *restrict sound, const double *restrict same, const double *restrict cross,
                    double *restrict past, const double *restrict turns, double *restrict work,
                    double *restrict out, long size, long blocks, long newest) {
    double *one = work, *other = work + 2 * size;
    for (long n = 0; n < size; n++)
        one[n] = sound[2 * n], one[size + n] = sound[2 * n + 1];
    memcpy(past + newest * 2 * size, transform(one, other, turns, size), 2 * size * sizeof(double));
    memset(one, 0, 2 * size * sizeof(double));
    for (long p = 0; p < blocks; p++) {
        const double *heard = past + (newest - p + blocks) % blocks * 2 * size;
        add(one, heard, same + p * 2 * size, size);
        add_crossed(one, heard, cross + p * 2 * size, size);
    }
    double *filtered = transform(one, other, turns, size);
    for (long n = 0; n < size / 2; n++) {
        out[2 * n] = filtered[size + size / 2 + n] / size;
        out[2 * n + 1] = filtered[size / 2 + n] / size;
    }
}
