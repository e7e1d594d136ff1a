/* A matrix from left and right to left and right: what width does by default. */

void mix_sides(const double *restrict x, double *restrict y, long frames, double same, double other) {
    for (long n = 0; n < frames; n++) {
        y[2 * n] = same * x[2 * n] + other * x[2 * n + 1];
        y[2 * n + 1] = other * x[2 * n] + same * x[2 * n + 1];
    }
}
