/* Six second-order sections over two columns, abreast: the structure of busproc/kernels/biquad.py. */

#include <math.h>
#ifdef __AVX__
#include <immintrin.h>
#endif

typedef double four __attribute__((vector_size(32)));
typedef long places __attribute__((vector_size(32)));

#define TINY 1e-30
#define PAIR(array, at, other) (four){(array)[at], (array)[(at) + 1], (array)[other], (array)[(other) + 1]}

/* two values from memory, then the first two of v */
static inline four before(const double *array, four v) {
#ifdef __AVX__
    __m256d pair = _mm256_castpd128_pd256(_mm_loadu_pd(array));
    return (four)_mm256_insertf128_pd(pair, _mm256_castpd256_pd128((__m256d)v), 1);
#else
    return (four){array[0], array[1], v[0], v[1]};
#endif
}

static void put(double *array, long at, long other, four v) {
    array[at] = v[0], array[at + 1] = v[1], array[other] = v[2], array[other + 1] = v[3];
}

static void run_one(const double *row, double *s, const double *wave, const double *source, double *made,
                    long c, long columns, long start, long stop) {
    double s1 = s[0], s2 = s[columns];
    for (long n = start * columns + c; n < stop * columns + c; n += columns) {
        double x = source[n], y = row[0] * x + s1;
        s1 = (row[1] * x + s2) - row[3] * y;
        s2 = row[2] * x - row[4] * y;
        made[n] = y;
        if (fabs(wave[n]) + (fabs(s1) + fabs(s2)) <= TINY) s1 = s2 = 0;
    }
    s[0] = s1, s[columns] = s2;
}

static inline four magnitude(four v) { return (four)((places)v & 0x7fffffffffffffff); }

static inline int any(places mask) {
#ifdef __AVX__
    return _mm256_movemask_pd((__m256d)mask);
#else
    return (mask[0] | mask[1] | mask[2] | mask[3]) != 0;
#endif
}

#define STEP(out, x, s, t, k)                    \
    {                                            \
        four y = p[k] * x + s;                   \
        s = (p[k + 1] * x + t) - p[k + 3] * y;   \
        t = p[k + 2] * x - p[k + 4] * y;         \
        out = y;                                 \
    }

#define REST(x, s, t)                                                                          \
    {                                                                                          \
        places rest = magnitude(x) + (magnitude(s) + magnitude(t)) <= TINY;                    \
        s = (four)((places)s & ~rest);                                                         \
        t = (four)((places)t & ~rest);                                                         \
    }

static void run_steadily(const double *rows, double *memory, const double *wave, double *made, long c,
                         long columns, long frames) {
    four p[15], s[3], t[3];
    for (int k = 0; k < 3; k++) {
        long at = 2 * k * columns + c, then = at + 6 * columns;
        for (int i = 0; i < 5; i++) {
            double one = rows[5 * k + i], two = rows[5 * k + 15 + i];
            p[5 * k + i] = (four){one, one, two, two};
        }
        s[k] = PAIR(memory, at, then);
        t[k] = PAIR(memory, at + columns, then + columns);
    }
    four s0 = s[0], s1 = s[1], s2 = s[2], t0 = t[0], t1 = t[1], t2 = t[2];
    long f = columns, n = 5 * f + c, loud = 0;
    four a = PAIR(made, n - f, n - 4 * f), b = PAIR(made, n - 2 * f, n - 5 * f);
    four d = PAIR(made, n - 3 * f, n - 3 * f);
    for (; n < frames * f; n += f) {
        four x = before(wave + n, d);
        STEP(d, b, s2, t2, 10)
        STEP(b, a, s1, t1, 5)
        STEP(a, x, s0, t0, 0)
        loud = any(magnitude(x) <= TINY) ? 0 : loud + 1;
        if (loud < 6) {
            REST(PAIR(wave, n, n - 3 * f), s0, t0)
            REST(PAIR(wave, n - f, n - 4 * f), s1, t1)
            REST(PAIR(wave, n - 2 * f, n - 5 * f), s2, t2)
        }
        made[n - 5 * f] = d[2], made[n - 5 * f + 1] = d[3];
    }
    put(made, n - f, n - 4 * f, a);
    put(made, n - 2 * f, n - 5 * f, b);
    put(made, n - 3 * f, n - 6 * f, d);
    s[0] = s0, s[1] = s1, s[2] = s2, t[0] = t0, t[1] = t1, t[2] = t2;
    for (int k = 0; k < 3; k++) {
        long at = 2 * k * columns + c, then = at + 6 * columns;
        put(memory, at, then, s[k]);
        put(memory, at + columns, then + columns, t[k]);
    }
}

/* rows (6, 5), memory (6, 2, columns), wave and made (frames, columns); columns even, frames at least 6. */
void run_sections(const double *rows, double *memory, const double *wave, double *made, long columns,
                  long frames) {
    for (long c = 0; c < columns; c += 2) {
        for (long late = 0; late < 5; late++)
            for (long side = c; side < c + 2; side++)
                run_one(rows + 5 * late, memory + 2 * late * columns + side, wave, late ? made : wave, made,
                        side, columns, 0, 5 - late);
        run_steadily(rows, memory, wave, made, c, columns, frames);
        for (long late = 1; late < 6; late++)
            for (long side = c; side < c + 2; side++)
                run_one(rows + 5 * late, memory + 2 * late * columns + side, wave, made, made, side, columns,
                        frames - late, frames);
    }
}
