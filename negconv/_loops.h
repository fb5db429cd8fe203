/* What the inner loops of both files share. */
#ifndef NEGCONV_LOOPS_H
#define NEGCONV_LOOPS_H

#include <Python.h>
#include <stdint.h>
#include <string.h>

/* One binary for every processor of the family: the loader picks the widest vectors there are. (By levels, not by names of
   processors, which fit no later one.) Sums are rounded as written, -ffp-contract=off, so that all give the same bytes. */
#if defined(__GNUC__) && !defined(__clang__) && defined(__x86_64__) && defined(__linux__) && defined(__GLIBC__)
#define WIDEST __attribute__((target_clones("arch=x86-64-v4", "arch=x86-64-v3", "default")))
#else
#define WIDEST
#endif
#if defined(__GNUC__)
#define INLINE static inline __attribute__((always_inline))
#else
#define INLINE static inline
#endif

typedef Py_ssize_t idx;

INLINE float most(float a, float b) { return a > b ? a : b; }
INLINE idx within(idx i, idx low, idx high) { return i < low ? low : i > high ? high : i; }

/* ln x of a positive normal number: x = 2^e m with m around one, ln m = 2 artanh((m - 1) / (m + 1)) by its series
   (Abramowitz and Stegun 4.1.27); the first term left out is below 2e-8. */
INLINE float logarithm(float x)
{
    int32_t i;
    float m;
    memcpy(&i, &x, 4);
    const int32_t e = (i - 0x3f3504f3) >> 23;
    i -= e * (1 << 23);
    memcpy(&m, &i, 4);
    const float s = (m - 1.0f) / (m + 1.0f), q = s * s;
    return (float)e * 0.69314718056f + s * (2.0f + q * (2.0f / 3 + q * (2.0f / 5 + q * (2.0f / 7))));
}

#endif
