/* The inner loops of the fused pass, for strips that lie in a core's cache.

   Each function does what a few numpy operations in the module named above it do, without their trips to memory; that
   module falls back on numpy where this file was not compiled, and tests/test_kernel.py holds the two together.
   Arrays are contiguous float32 unless said; none of the functions holds the interpreter's lock. */

#define PY_SSIZE_T_CLEAN
#include <Python.h>
#include <limits.h>
#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>
#if defined(__GLIBC__)
#include <malloc.h>
#endif
#if defined(__unix__) || defined(__APPLE__)
#define HAVE_PREAD 1
#include <errno.h>
#include <unistd.h>
#endif
#include "_loops.h"

/* What a loop writes, it does not read again further on. */
#if defined(__GNUC__) && !defined(__clang__)
#define APART _Pragma("GCC ivdep")
#else
#define APART
#endif

#define TAPS 6
#define BELOW 0.1f /* resample.BELOW, resample.TROUGH */
#define TROUGH 0.5f
#define BLOCK 512 /* pixels worked on at a time: their planes stay in the first cache */

INLINE float least(float a, float b) { return a < b ? a : b; }

/* Two neighbours of a table for each of some places. One place at a time: of vectors of places each would be taken out again,
   which takes three times as long. */
INLINE void neighbours(const float *table, const int32_t *place, idx m, float *out)
{
    for (idx i = 0; i < m; i++) {
        int32_t k = place[i];
#if defined(__GNUC__)
        __asm__("" : "+r"(k)); /* no vectors */
#endif
        memcpy(out + 2 * i, table + k, 2 * sizeof *out);
    }
}

/* raw._halved, one row of cells: a cell of two by two samples of a mosaic, less black, is one pixel. */
WIDEST static void halve_row(const uint16_t *red, const uint16_t *green, const uint16_t *other, const uint16_t *blue, idx n,
                             const int *black, int white, uint16_t *out)
{
    const int r0 = black[0], g0 = black[1], h0 = black[2], b0 = black[3];
    APART
    for (idx i = 0; i < n; i++) {
        const int r = red[2 * i] - r0, g = green[2 * i] - g0, h = other[2 * i] - h0, b = blue[2 * i] - b0;
        const int mean = ((g < 0 ? 0 : g) + (h < 0 ? 0 : h)) >> 1;
        out[3 * i] = (uint16_t)(r < 0 ? 0 : r < white ? r : white);
        out[3 * i + 1] = (uint16_t)(mean < white ? mean : white);
        out[3 * i + 2] = (uint16_t)(b < 0 ? 0 : b < white ? b : white);
    }
}

/* capture.block_mean: k rows are added up, then k columns, in that order, so that float sums are numpy's to the bit. */
WIDEST static void add_rows_of_codes(const uint16_t *rows, idx pitch, idx k, idx n, uint32_t *sum)
{
    for (idx i = 0; i < n; i++) sum[i] = rows[i];
    for (idx j = 1; j < k; j++)
        for (idx i = 0; i < n; i++) sum[i] += rows[j * pitch + i];
}

WIDEST static void add_rows(const float *rows, idx pitch, idx k, idx n, float *sum)
{
    for (idx i = 0; i < n; i++) sum[i] = rows[i];
    for (idx j = 1; j < k; j++)
        for (idx i = 0; i < n; i++) sum[i] += rows[j * pitch + i];
}

#define ADD_COLUMNS(NAME, TYPE)                                                                                                  \
    INLINE void NAME##_of(const TYPE *sum, idx n, idx k, idx channels, float scale, float *out)                                  \
    {                                                                                                                            \
        for (idx x = 0; x < n; x++)                                                                                              \
            for (idx c = 0; c < channels; c++) {                                                                                 \
                TYPE all = sum[x * k * channels + c];                                                                            \
                for (idx j = 1; j < k; j++) all += sum[(x * k + j) * channels + c];                                              \
                out[x * channels + c] = (float)all * scale;                                                                      \
            }                                                                                                                    \
    }                                                                                                                            \
    WIDEST static void NAME(const TYPE *sum, idx n, idx k, idx channels, float scale, float *out)                                \
    {                                                                                                                            \
        if (k == 2 && channels == 3) NAME##_of(sum, n, 2, 3, scale, out);                                                        \
        else if (channels == 3) NAME##_of(sum, n, k, 3, scale, out);                                                             \
        else NAME##_of(sum, n, k, channels, scale, out);                                                                         \
    }
ADD_COLUMNS(add_columns_of_codes, uint32_t)
ADD_COLUMNS(add_columns, float)

/* rows.rows_of_file: the light that codes of a curved file stand for. */
static void look_up(const uint16_t *codes, idx n, const float *table, float *out)
{
    for (idx i = 0; i < n; i++) out[i] = table[codes[i]];
}

/* flat.Light: rows of code values times the inverse of the panel's light, interpolated between two of its rows. */
WIDEST static void light_row(const void *samples, int wide, idx n, const float *a, const float *b, float share, float scale,
                             float *out)
{
    const uint16_t *u = samples;
    const float *f = samples;
    if (a && wide)
        for (idx i = 0; i < n; i++) out[i] = (float)u[i] * (a[i] + (b[i] - a[i]) * share);
    else if (a)
        for (idx i = 0; i < n; i++) out[i] = f[i] * (a[i] + (b[i] - a[i]) * share);
    else if (wide)
        for (idx i = 0; i < n; i++) out[i] = (float)u[i] * scale;
    else
        for (idx i = 0; i < n; i++) out[i] = f[i] * scale;
}

/* resample._held: a value between b and c of the samples a, b, c, d. */
INLINE float held(float value, float a, float b, float c, float d)
{
    const float low = least(b, c), deep = most(least(a - b, d - c), 0.0f);
    return most(value, low - BELOW * fabsf(low) - TROUGH * deep);
}

/* resample.shift_rows, one row: samples `low`..`low + TAPS - 1` make the first of the output; edges repeat. */
WIDEST static void shift_row(const float *row, idx width, idx channels, idx low, const float *w, float *out, idx n)
{
    const idx first = within(-low, 0, n), last = within(width - TAPS - low + 1, first, n);
    const float w0 = w[0], w1 = w[1], w2 = w[2], w3 = w[3], w4 = w[4], w5 = w[5];
    const float *p = row + low * channels;
    for (idx x = 0; x < n; x++) {
        if (x == first) x = last;
        if (x >= n) break;
        for (idx c = 0; c < channels; c++) {
            float sum = 0;
            float s[TAPS];
            for (idx k = 0; k < TAPS; k++) {
                s[k] = row[within(x + low + k, 0, width - 1) * channels + c];
                sum += w[k] * s[k];
            }
            out[x * channels + c] = held(sum, s[1], s[2], s[3], s[4]);
        }
    }
    APART
    for (idx i = first * channels; i < last * channels; i++)
        out[i] = held(w0 * p[i] + w1 * p[i + channels] + w2 * p[i + 2 * channels] + w3 * p[i + 3 * channels]
                          + w4 * p[i + 4 * channels] + w5 * p[i + 5 * channels],
                      p[i + channels], p[i + 2 * channels], p[i + 3 * channels], p[i + 4 * channels]);
}

/* resample.ColumnShifts, SOME values of one row from the lines they lie between. */
#define SOME 16
INLINE void shift_some(const float *const *p, const float *w, idx stride, idx x0, idx n, float *to)
{
    const float *p0 = p[0] + x0, *p1 = p[1] + x0, *p2 = p[2] + x0, *p3 = p[3] + x0, *p4 = p[4] + x0, *p5 = p[5] + x0;
    w += x0, to += x0;
    APART
    for (idx x = 0; x < n; x++)
        to[x] = held(w[x] * p0[x] + w[stride + x] * p1[x] + w[2 * stride + x] * p2[x] + w[3 * stride + x] * p3[x]
                         + w[4 * stride + x] * p4[x] + w[5 * stride + x] * p5[x],
                     p1[x], p2[x], p3[x], p4[x]);
}

/* Some runs of columns that share their whole pixels: rows y..y + n - 1 from a ring of lines. */
WIDEST static void shift_runs(const float *ring, idx lines, idx stride, idx y, idx n, const int64_t *start,
                              const int64_t *low, idx runs, const float *weights, float *out)
{
    for (idx i = 0; i < n; i++, out += stride) {
        idx line = runs ? ((idx)low[0] + y + i) % lines : 0;
        for (idx r = 0; r < runs; r++) {
            const idx from = (idx)start[r], count = (idx)(start[r + 1] - start[r]);
            const float *p[TAPS], *w = weights + from;
            float *to = out + from;
            for (idx k = 0, at = line; k < TAPS; k++, at = at + 1 < lines ? at + 1 : 0) p[k] = ring + at * stride + from;
            /* Runs of a strong turn are short: their last values are made as many at a time as the others, some of them again. */
            idx x = 0;
            for (; x + SOME <= count; x += SOME) shift_some(p, w, stride, x, SOME, to);
            if (x < count && count >= SOME) shift_some(p, w, stride, count - SOME, SOME, to);
            else shift_some(p, w, stride, x, count - x, to);
            if (r + 1 < runs) {
                line += (idx)(low[r + 1] - low[r]);
                if (line < 0 || line >= lines) line = ((idx)low[r + 1] + y + i) % lines;
            }
        }
    }
}

typedef struct {
    int channels;                        /* 3, or 1 of black and white */
    const float *before, *held, *unmix, *weights, *tables, *after, *bias;
    float tiny, zero, last;
    idx entries;
} stages;

/* invert._Strip: panel-relative light (n, 3) to scene-linear light (n, channels) and mean density. */
WIDEST static void develop(const float *t, idx n, stages s, float *out, float *density)
{
    float v[3][BLOCK], h[3][BLOCK], share[BLOCK], pair[2 * BLOCK];
    int32_t place[BLOCK];
    for (idx at = 0; at < n; at += BLOCK, t += 3 * BLOCK) {
        const idx m = n - at < BLOCK ? n - at : BLOCK;
        const float *b = s.before;
        for (idx i = 0; i < m; i++) {
            const float x = t[3 * i], y = t[3 * i + 1], z = t[3 * i + 2];
            v[0][i] = b[0] * x + b[1] * y + b[2] * z;
            v[1][i] = b[3] * x + b[4] * y + b[5] * z;
            v[2][i] = b[6] * x + b[7] * y + b[8] * z;
        }
        if (s.held)
            for (int c = 0; c < 3; c++)
                for (idx i = 0; i < m; i++) v[c][i] = most(v[c][i], s.held[c] * t[3 * i + c]);
        for (int c = 0; c < 3; c++)
            for (idx i = 0; i < m; i++) v[c][i] = logarithm(most(v[c][i], s.tiny));
        if (density)
            for (idx i = 0; i < m; i++)
                density[at + i] = s.weights[0] * v[0][i] + s.weights[1] * v[1][i] + s.weights[2] * v[2][i];
        for (int c = 0; c < s.channels; c++) {
            const float *u = s.unmix + 3 * c, *table = s.tables + c * s.entries;
            const float u0 = u[0], u1 = u[1], u2 = u[2], zero = s.zero, last = s.last;
            for (idx i = 0; i < m; i++) {
                const float d = least(most(u0 * v[0][i] + u1 * v[1][i] + u2 * v[2][i] + zero, 0.0f), last);
                place[i] = (int32_t)d;
                share[i] = d - (float)place[i];
            }
            neighbours(table, place, m, pair);
            for (idx i = 0; i < m; i++) h[c][i] = pair[2 * i] + (pair[2 * i + 1] - pair[2 * i]) * share[i];
        }
        const float *a = s.after;
        if (s.channels == 1)
            for (idx i = 0; i < m; i++) out[at + i] = a[0] * h[0][i] + s.bias[0];
        else
            for (idx i = 0; i < m; i++) {
                float *o = out + 3 * (at + i);
                o[0] = a[0] * h[0][i] + a[1] * h[1][i] + a[2] * h[2][i] + s.bias[0];
                o[1] = a[3] * h[0][i] + a[4] * h[1][i] + a[5] * h[2][i] + s.bias[1];
                o[2] = a[6] * h[0][i] + a[7] * h[1][i] + a[8] * h[2][i] + s.bias[2];
            }
    }
}

typedef struct {
    int channels, bits;
    const float *matrix, *luminance, *tone;
    idx tones;
    float top;
    const void *codes;
    idx entries;
} coding;

/* encode._lerp of a table over the square root of light. */
INLINE void toned(const float *v, idx m, const float *table, idx entries, float top, float *out)
{
    const float scale = (float)(entries - 1), last = (float)entries - 1.01f, part = 1.0f / top;
    float share[BLOCK], pair[2 * BLOCK];
    int32_t place[BLOCK];
    for (idx i = 0; i < m; i++) {
        const float at = least(sqrtf(v[i] * part) * scale, last);
        place[i] = (int32_t)at;
        share[i] = at - (float)place[i];
    }
    neighbours(table, place, m, pair);
    for (idx i = 0; i < m; i++) out[i] = pair[2 * i] + (pair[2 * i + 1] - pair[2 * i]) * share[i];
}

/* encode.Encoder: scene-linear light (n, channels) to code values. */
WIDEST static void encode(const float *linear, idx n, coding e, void *out)
{
    float v[3][BLOCK], low[BLOCK], high[BLOCK], black[BLOCK], white[BLOCK];
    int32_t at_code[3][BLOCK];
    const float scale = (float)(e.entries - 1);
    for (idx at = 0; at < n; at += BLOCK, linear += e.channels * BLOCK) {
        const idx m = n - at < BLOCK ? n - at : BLOCK;
        if (e.channels == 1) {
            for (idx i = 0; i < m; i++) v[0][i] = most(linear[i], 0.0f);
            if (e.tone) {
                toned(v[0], m, e.tone, e.tones, e.top, low);
                memcpy(v[0], low, sizeof low);
            }
        } else {
            if (e.matrix) {
                const float *a = e.matrix;
                for (idx i = 0; i < m; i++) {
                    const float x = linear[3 * i], y = linear[3 * i + 1], z = linear[3 * i + 2];
                    v[0][i] = a[0] * x + a[1] * y + a[2] * z;
                    v[1][i] = a[3] * x + a[4] * y + a[5] * z;
                    v[2][i] = a[6] * x + a[7] * y + a[8] * z;
                }
            } else
                for (idx i = 0; i < m; i++) {
                    v[0][i] = linear[3 * i];
                    v[1][i] = linear[3 * i + 1];
                    v[2][i] = linear[3 * i + 2];
                }
            int outside = 0;
            for (idx i = 0; i < m; i++) {
                low[i] = least(least(v[0][i], v[1][i]), v[2][i]);
                outside |= low[i] < 0.0f;
            }
            if (outside) {
                const float r = e.luminance[0], g = e.luminance[1], b = e.luminance[2];
                for (idx i = 0; i < m; i++) {
                    const float y = most(r * v[0][i] + g * v[1][i] + b * v[2][i], 0.0f);
                    const float keep = low[i] < 0.0f ? y / most(y - low[i], 1e-12f) : 1.0f;
                    const float below = least(low[i], 0.0f);
                    for (int c = 0; c < 3; c++) v[c][i] = (v[c][i] - below) * keep;
                }
            }
            if (e.tone) {
                for (idx i = 0; i < m; i++) {
                    low[i] = least(least(v[0][i], v[1][i]), v[2][i]);
                    high[i] = most(most(v[0][i], v[1][i]), v[2][i]);
                }
                toned(low, m, e.tone, e.tones, e.top, black);
                toned(high, m, e.tone, e.tones, e.top, white);
                for (idx i = 0; i < m; i++) {
                    const float ratio = (white[i] - black[i]) / (high[i] - low[i] + 1e-12f);
                    for (int c = 0; c < 3; c++) v[c][i] = (v[c][i] - low[i]) * ratio + black[i];
                }
            }
        }
        for (int c = 0; c < e.channels; c++)
            for (idx i = 0; i < m; i++)
                at_code[c][i] = (int32_t)least(sqrtf(most(v[c][i], 0.0f)) * scale + 0.5f, scale);
        if (e.bits == 8) {
            const uint8_t *codes = e.codes;
            uint8_t *o = (uint8_t *)out + e.channels * at;
            for (int c = 0; c < e.channels; c++)
                for (idx i = 0; i < m; i++) o[e.channels * i + c] = codes[at_code[c][i]];
        } else {
            const uint16_t *codes = e.codes;
            uint16_t *o = (uint16_t *)out + e.channels * at;
            for (int c = 0; c < e.channels; c++)
                for (idx i = 0; i < m; i++) o[e.channels * i + c] = codes[at_code[c][i]];
        }
    }
}

/* --- frames: what look() asks of a proxy, see levels, rectangles, faint and sides ----------------------------------- */

enum { VOID_, PANEL_, BASE_, PICTURE_, DARK_ }; /* levels.VOID ... */
#define ASIDE 2                                 /* rectangles.STEP */
#define INWARDS 5                               /* rectangles.DEEP */

/* levels.log_light: planes of log10 of interleaved light. */
WIDEST static void log_planes(const float *light, idx n, float floor, float *out)
{
    float some[BLOCK];
    for (idx at = 0; at < n; at += BLOCK) {
        const idx m = n - at < BLOCK ? n - at : BLOCK;
        for (int c = 0; c < 3; c++) {
            float *to = out + c * n + at;
            for (idx i = 0; i < m; i++) some[i] = most(light[3 * (at + i) + c], floor);
            for (idx i = 0; i < m; i++) to[i] = logarithm(some[i]) * 0.43429448f;
        }
    }
}

/* keen.light_of: interleaved light of planes of log10 of it: 2 to the whole and to the rest of its binary logarithm, this by its
   series; the first term left out is below 1e-8. */
WIDEST static void light_of(const float *log, idx n, float *out)
{
    const double whole = 6755399441055744.0; /* 1.5 * 2^52: what is added to it is rounded */
    float some[3][BLOCK];
    for (idx at = 0; at < n; at += BLOCK) {
        const idx m = n - at < BLOCK ? n - at : BLOCK;
        for (int c = 0; c < 3; c++) {
            const float *from = log + c * n + at;
            for (idx i = 0; i < m; i++) {
                const double y = most(least(from[i], 30.0f), -30.0f) * 3.321928094887362, shifted = y + whole;
                const double f = (y - (shifted - whole)) * 0.6931471805599453;
                const double e = 1 + f * (1 + f * (1.0 / 2 + f * (1.0 / 6 + f * (1.0 / 24 + f * (1.0 / 120 + f * (1.0 / 720 + f / 5040))))));
                int64_t bits;
                double power;
                memcpy(&bits, &shifted, 8);
                bits = (bits + 1023) * (1LL << 52); /* the whole's own high bits go over the top */
                memcpy(&power, &bits, 8);
                some[c][i] = (float)(e * power);
            }
        }
        for (idx i = 0; i < m; i++)
            for (int c = 0; c < 3; c++) out[3 * (at + i) + c] = some[c][i];
    }
}

/* levels.even_tones: where a plane hardly changes along both axes, or along one with a ridge or a shelf across. */
WIDEST static void even_row(const float *y, idx w, idx n, const idx *far, float limit, float darkest, uint8_t *out)
{
    const float *up = y - 2 * w, *down = y + 2 * w, *left = y - 2, *right = y + 2;
    const float *above = y - far[0] * w, *below = y + far[1] * w, *before = y - far[2], *after = y + far[3];
    for (idx i = 0; i < n; i++) {
        const int even_x = fabsf(right[i] - left[i]) < limit, even_y = fabsf(down[i] - up[i]) < limit;
        const int over_y = (y[i] > up[i]) & (y[i] > down[i]), over_x = (y[i] > left[i]) & (y[i] > right[i]);
        const float a = above[i] - y[i], b = y[i] - below[i], c = before[i] - y[i], d = y[i] - after[i];
        const int steps_y = (least(a, b) > 2 * limit) | (most(a, b) < -2 * limit);
        const int steps_x = (least(c, d) > 2 * limit) | (most(c, d) < -2 * limit);
        const int shelf_y = (2 * fabsf(y[i + w] - y[i - w]) < limit) & steps_y;
        const int shelf_x = (2 * fabsf(y[i + 1] - y[i - 1]) < limit) & steps_x;
        out[i] = (uint8_t)(((even_x & (even_y | over_y | shelf_y)) | (even_y & (over_x | shelf_x))) & (y[i] > darkest));
    }
}

INLINE void swap(double *a, double *b)
{
    const double c = *a;
    *a = *b, *b = c;
}

/* The value at place `k` of the sorted ones, which change places (Hoare's FIND). */
static double ranked(double *v, idx n, idx k)
{
    idx low = 0, high = n - 1;
    while (low < high) {
        const double pivot = v[k];
        idx i = low, j = high;
        while (i <= j) {
            while (v[i] < pivot) i++;
            while (v[j] > pivot) j--;
            if (i <= j) swap(v + i++, v + j--);
        }
        if (j < k) low = i;
        if (k < i) high = j;
    }
    return v[k];
}

/* robust.median of finite values, which are lost: those of the middle one of many equal steps alone are put in order. */
#define STEPS 1024
static double median(double *v, idx n)
{
    if (n < 1) return NAN;
    double low = v[0], high = v[0], under = -INFINITY;
    idx many[STEPS + 1] = {0}, before = 0, step = 0, m = 0;
    for (idx i = 1; i < n; i++) low = v[i] < low ? v[i] : low, high = v[i] > high ? v[i] : high;
    const double scale = high > low ? STEPS / (high - low) : 0.0;
    if (!(scale < 1e300)) return ranked(v, n, n / 2);
    for (idx i = 0; i < n; i++) many[(idx)((v[i] - low) * scale)]++;
    while (before + many[step] <= n / 2) before += many[step++];
    for (idx i = 0; i < n; i++) {
        const double value = v[i];
        const idx at = (idx)((value - low) * scale);
        if (at == step)
            v[m++] = value;
        else if (at < step && value > under)
            under = value;
    }
    const double above = ranked(v, m, n / 2 - before);
    if (n % 2) return above;
    for (idx i = 0; i < n / 2 - before; i++) under = v[i] > under ? v[i] : under;
    return (under + above) / 2;
}

INLINE double surface_at(const double *t, const double *c)
{
    return t[0] * c[0] + t[1] * c[1] + t[2] * c[2] + t[3] * c[3] + t[4] * c[4] + t[5] * c[5];
}

/* levels.normal_equations: the normal equations of a surface through what lies within `tolerance` of it, of those pixels
   that are in a list, or of all; how many do. */
WIDEST static idx fit_round(const float *light, const double *terms, const int32_t *list, idx n, const double *surface, double mean,
                            double tolerance, double *a, double *b)
{
    idx count = 0;
    memset(a, 0, 36 * sizeof *a);
    memset(b, 0, 6 * sizeof *b);
    for (idx i = 0; i < n; i++) {
        const idx at = list ? list[i] : i;
        const double *t = terms + 6 * at;
        const double rest = light[at] - surface_at(t, surface) - mean;
        if (!(fabs(rest) < tolerance)) continue;
        count++;
        const double say = rest < -0.012 ? 0.1 : 1.0;
        for (int j = 0; j < 6; j++) {
            const double s = t[j] * say;
            for (int k = 0; k < 6; k++) a[6 * j + k] += s * t[k];
            b[j] += s * rest;
        }
    }
    return count;
}

/* Six equations solved by elimination, the largest of each column first; the matrix is lost. */
static void solve_six(double *a, double *b)
{
    for (int j = 0; j < 6; j++) {
        int first = j;
        for (int k = j + 1; k < 6; k++) first = fabs(a[6 * k + j]) > fabs(a[6 * first + j]) ? k : first;
        if (first != j) {
            for (int m = 0; m < 6; m++) swap(a + 6 * j + m, a + 6 * first + m);
            swap(b + j, b + first);
        }
        for (int k = j + 1; k < 6; k++) {
            const double share = a[6 * k + j] / a[6 * j + j];
            for (int m = j; m < 6; m++) a[6 * k + m] -= share * a[6 * j + m];
            b[k] -= share * b[j];
        }
    }
    for (int j = 5; j >= 0; j--) {
        for (int k = j + 1; k < 6; k++) b[j] -= a[6 * j + k] * b[k];
        b[j] /= a[6 * j + j];
    }
}

/* levels._bright_side of `n` values, which are lost; and their standard deviation there. */
static double bright_side(double *rest, idx n, double *width)
{
    double bins[64] = {0.0}, smooth[64], top = 0.0;
    idx size = 60, peak = 0, m = 0;
    for (idx i = 0; i < n; i++) {
        const idx at = (idx)((rest[i] + 0.06) * 500);
        size = at + 1 > size ? at + 1 : size;
        bins[at]++;
    }
    for (idx i = 0; i < size; i++) {
        smooth[i] = (i > 1 ? bins[i - 2] : 0.0) + 2 * (i > 0 ? bins[i - 1] : 0.0) + 3 * bins[i] + 2 * bins[i + 1] + bins[i + 2];
        top = smooth[i] > top ? smooth[i] : top;
    }
    for (idx i = size - 2; i > 0 && !peak; i--)
        if (smooth[i] >= smooth[i - 1] && smooth[i] >= smooth[i + 1] && smooth[i] > 0.4 * top) peak = i;
    *width = 0.02;
    if (!peak) return 0.0;
    const double at = (peak + 0.5) / 500 - 0.06;
    for (idx i = 0; i < n; i++)
        if (rest[i] > at) rest[m++] = rest[i] - at;
    if (m > 5) {
        const double spread = 1.4826 * median(rest, m);
        *width = spread < 0.02 ? spread : 0.02;
    }
    return at;
}

/* levels._brightest: see there. `out` is log light, surface and spread; `some` and `list` are to work in, 3 n and n long.
   How many pixels have the tone, or -1. */
WIDEST static idx brightest(const float *tones, const float *light, const double *terms, idx n, double need, const double *reach,
                            idx rounds, const double *ridge, const double *usual, double *out, double *some, int32_t *list)
{
    double bins[804] = {0.0}, middle = NAN, *surface = out + 3, last[6], change[6], a[36], *fall = some + 2 * n;
    idx count = 0, m = 0;
    if (n < need) return -1;
    for (idx i = 0; i < n; i++) {
        const float at = (light[i] + 5.5f) * 100.0f;
        bins[2 + (at > 0.0f ? at < 799.0f ? (idx)at : 799 : 0)]++;
    }
    double before = 0.0, here = 0.0;
    for (idx i = 798; i > 1; i--) { /* from the brightest on; each by its two neighbours on both sides */
        const double *b = bins + i, after = (b[0] + 2 * b[1] + 3 * b[2] + 2 * b[3] + b[4]) / 9;
        if (i < 797 && here >= before && here >= after && 3 * here >= need) {
            middle = (i - 2 + 3.5) / 100 - 5.5;
            break;
        }
        before = here, here = after;
    }
    if (isnan(middle)) return -1;
    for (idx i = 0; i < n; i++) {
        list[m] = (int32_t)i;
        m += fabs(light[i] - middle) < 0.02;
    }
    if (m < (need * 0.5 > 10 ? need * 0.5 : 10)) return -1;
    float log3[3], apart[3];
    for (int c = 0; c < 3; c++) {
        for (idx i = 0; i < m; i++) some[i] = tones[3 * list[i] + c];
        log3[c] = (float)median(some, m);
        out[c] = log3[c];
    }
    const idx close = m;
    const float grey = (log3[0] + log3[1] + log3[2]) / 3.0f;
    const double mean = grey;
    for (int c = 0; c < 3; c++) apart[c] = log3[c] - grey;
    int32_t *alike = list + n;
    m = 0;
    for (idx i = 0; i < n; i++) {
        const float *t = tones + 3 * i, y = light[i];
        alike[m] = (int32_t)i;
        m += (fabsf(t[0] - y - apart[0]) < 0.035f) & (fabsf(t[1] - y - apart[1]) < 0.035f) & (fabsf(t[2] - y - apart[2]) < 0.035f);
    }
    memcpy(surface, usual, 6 * sizeof *surface);
    int settled = 1;
    for (idx round = 0; round < rounds; round++) {
        const idx those = fit_round(light, terms, alike, m, surface, mean, reach[round], a, change);
        if (those < 10) {
            settled = 0;
            break;
        }
        const double weight = those / 4000.0 > 1e-6 ? those / 4000.0 : 1e-6;
        for (int j = 0; j < 36; j++) a[j] /= weight;
        for (int j = 0; j < 6; j++) {
            a[7 * j] += ridge[j] + 1e-6;
            change[j] = change[j] / weight - ridge[j] * (surface[j] - usual[j]);
        }
        solve_six(a, change);
        memcpy(last, surface, sizeof last);
        for (int j = 0; j < 6; j++) surface[j] += change[j];
        surface[3] = surface[3] < 0.0 ? surface[3] : 0.0;
    }
    double *rest = some + n, width;
    idx inner = 0, core = 0;
    for (idx i = 0; i < m; i++) {
        fall[i] = surface_at(terms + 6 * alike[i], surface);
        rest[i] = light[alike[i]] - fall[i] - mean;
        some[inner] = rest[i];
        inner += fabs(rest[i]) < 0.06;
    }
    const double peak = bright_side(some, inner, &width), wide = 1.2 * width > 0.002 ? 1.2 * width : 0.002;
    for (idx i = 0; i < m; i++) core += fabs(rest[i] - peak) < wide;
    const int32_t *members = alike;
    if (core >= 10) {
        for (int c = 0; c < 3; c++) {
            idx k = 0;
            for (idx i = 0; i < m; i++) {
                some[k] = tones[3 * alike[i] + c] - fall[i];
                k += fabs(rest[i] - peak) < wide;
            }
            out[c] = median(some, k);
        }
        const double level = (out[0] + out[1] + out[2]) / 3, far = 3 * width > 0.006 ? 3 * width : 0.006;
        for (idx i = 0; i < m; i++) {
            alike[count] = alike[i];
            count += fabs(light[alike[i]] - fall[i] - level) < far;
        }
    } else if (settled) {
        for (idx i = 0; i < m; i++) {
            const double off = light[alike[i]] - surface_at(terms + 6 * alike[i], last) - mean;
            alike[count] = alike[i];
            count += fabs(off) < reach[rounds - 1];
        }
    } else {
        members = list, count = close;
    }
    for (idx i = 0; i < count; i++) {
        const double falls = surface_at(terms + 6 * members[i], surface);
        for (int c = 0; c < 3; c++) some[3 * i + c] = fabs(tones[3 * members[i] + c] - falls - out[c]);
    }
    out[9] = 1.4826 * median(some, 3 * count);
    return count;
}

/* levels.even_tones: keeps those pixels that are darker than a surface; how many they are. */
static idx keep_darker(float *tones, float *light, double *terms, idx n, const double *surface, double mean, double less)
{
    idx m = 0;
    for (idx i = 0; i < n; i++) {
        if (!(light[i] < surface_at(terms + 6 * i, surface) + mean - less)) continue;
        light[m] = light[i];
        memmove(tones + 3 * m, tones + 3 * i, 3 * sizeof *tones);
        memmove(terms + 6 * m, terms + 6 * i, 6 * sizeof *terms);
        m++;
    }
    return m;
}

/* levels.parts: how far every pixel lies below the base: the mean, the least and the most of its channels. */
WIDEST static void below_row(const float *red, const float *green, const float *blue, idx n, const float *across, const float *x,
                             float down, float cross, const float *base, float *density, float *low, float *high)
{
    const float r0 = base[0], g0 = base[1], b0 = base[2];
    APART
    for (idx i = 0; i < n; i++) {
        const float surface = across[i] + down + cross * x[i];
        const float r = surface + r0 - red[i], g = surface + g0 - green[i], b = surface + b0 - blue[i];
        low[i] = least(least(r, g), b);
        high[i] = most(most(r, g), b);
        density[i] = (r + g + b) * (float)(1.0 / 3);
    }
}

/* levels.parts: what the pixels are, in three steps, for dark is what goes on straight to the border (levels._outer). */
static void outer(const float *low, idx h, idx w, float beyond, uint8_t *kinds, uint8_t *open)
{
    memset(kinds, PICTURE_, h * w);
    for (idx y = 0; y < h; y++) {
        const float *row = low + y * w;
        idx a = 0, b = w;
        while (a < w && row[a] > beyond) kinds[y * w + a++] = DARK_;
        while (b > a && row[b - 1] > beyond) kinds[y * w + --b] = DARK_;
    }
    for (int up = 0; up < 2; up++) {
        memset(open, 1, w);
        for (idx i = 0; i < h; i++) {
            const idx at = (up ? h - 1 - i : i) * w;
            int some = 0;
            for (idx x = 0; x < w; x++) {
                open[x] &= (uint8_t)(low[at + x] > beyond);
                some |= open[x];
                kinds[at + x] = open[x] ? DARK_ : kinds[at + x];
            }
            if (!some) break;
        }
    }
}

WIDEST static void kinds_row(const float *red, const float *green, const float *blue, const float *density, const float *low,
                             const float *high, idx n, const float *black, float tolerance, float near, float bare, uint8_t *kinds)
{
    if (black) {
        const float r = black[0], g = black[1], b = black[2];
        for (idx i = 0; i < n; i++) kinds[i] = (red[i] < r) & (green[i] < g) & (blue[i] < b) ? DARK_ : kinds[i];
    }
    for (idx i = 0; i < n; i++) {
        const int clear = (high[i] < near) & (low[i] > -near) & (fabsf(density[i]) < tolerance);
        const int panel = (density[i] < -tolerance) & (high[i] < bare);
        const uint8_t kind = clear ? BASE_ : kinds[i];
        kinds[i] = panel ? PANEL_ : kind;
    }
}

INLINE int is_clear(uint8_t kind) { return (kind == PANEL_) | (kind == BASE_); }

/* levels._enclosed, of what is dark: between two clear places, each two pixels long, of its row or of its column. */
WIDEST static void enclosed(const uint8_t *kinds, idx h, idx w, int32_t *first, int32_t *last, uint8_t *out)
{
    for (idx x = 0; x < w; x++) first[x] = INT_MAX, last[x] = -1;
    for (idx y = 0; y + 1 < h; y++) {
        const uint8_t *row = kinds + y * w, *next = row + w;
        for (idx x = 0; x < w; x++) {
            const int both = is_clear(row[x]) & is_clear(next[x]);
            first[x] = both && first[x] == INT_MAX ? (int32_t)y : first[x];
            last[x] = both ? (int32_t)y + 1 : last[x];
        }
    }
    for (idx y = 0; y < h; y++) {
        const uint8_t *row = kinds + y * w;
        idx a = 0, b = w - 2;
        while (a + 1 < w && !(is_clear(row[a]) & is_clear(row[a + 1]))) a++;
        while (b >= 0 && !(is_clear(row[b]) & is_clear(row[b + 1]))) b--;
        const int32_t from = (int32_t)a, to = (int32_t)b + 1, line = (int32_t)y;
        for (idx x = 0; x < w; x++) {
            const int along = ((int32_t)x > from) & ((int32_t)x < to), down = (line > first[x]) & (line < last[x]);
            out[y * w + x] = (uint8_t)((row[x] == DARK_) & (along | down));
        }
    }
}

/* rectangles.edge_maps: evidence of an edge between two pixels, one of them outside it and the other inside. */
WIDEST static void rebate_row(const uint8_t *kind, const float *outside, const float *inside, idx n, float more, float *out)
{
    const float scale = (float)(1 / 0.06);
    APART
    for (idx i = 0; i < n; i++) {
        const float a = least(most(outside[i], 0.0f), 0.4f) * scale + more, b = least(most(inside[i], 0.0f), 0.4f) * scale;
        const float value = least(most(b - a, 0.0f), 1.0f);
        out[i] = is_clear(kind[i]) ? value : 0.0f;
    }
}

WIDEST static void holder_row(const uint8_t *outside, const uint8_t *inside, const uint8_t *deep, const uint8_t *soft, idx n,
                              uint8_t *out)
{
    APART
    for (idx i = 0; i < n; i++)
        out[i] = (uint8_t)((outside[i] == DARK_) & (inside[i] == PICTURE_) & (deep[i] == PICTURE_) & (soft[i] == PICTURE_));
}

INLINE idx wrapped(idx i, idx n) { return (i % n + n) % n; }

static void edges_down(const uint8_t *kinds, const float *density, idx h, idx w, idx sign, float more, float *rebate,
                       uint8_t *holder, idx deep, idx soft)
{
    for (idx y = 0; y < h; y++) {
        if (y < ASIDE || y >= h - ASIDE) {
            memset(rebate + y * w, 0, w * sizeof *rebate);
            if (holder) memset(holder + y * w, 0, w);
            continue;
        }
        const idx out = (y - sign * ASIDE) * w, in = (y + sign * ASIDE) * w;
        rebate_row(kinds + out, density + out, density + in, w, more, rebate + y * w);
        if (holder)
            holder_row(kinds + out, kinds + in, kinds + wrapped(y + sign * deep, h) * w, kinds + wrapped(y + sign * soft, h) * w, w,
                       holder + y * w);
    }
}

static void edges_across(const uint8_t *kinds, const float *density, idx h, idx w, idx sign, float more, float *rebate,
                         uint8_t *holder, idx deep, idx soft)
{
    const idx reach = deep > soft ? deep : soft, low = reach < w - ASIDE ? reach : w - ASIDE, high = w - reach > low ? w - reach : low;
    for (idx y = 0; y < h; y++) {
        const uint8_t *kind = kinds + y * w;
        const float *row = density + y * w;
        float *to = rebate + y * w;
        for (idx x = 0; x < ASIDE; x++) to[x] = to[w - 1 - x] = 0.0f;
        rebate_row(kind + ASIDE - sign * ASIDE, row + ASIDE - sign * ASIDE, row + ASIDE + sign * ASIDE, w - 2 * ASIDE, more,
                   to + ASIDE);
        if (!holder) continue;
        uint8_t *lit = holder + y * w;
        for (idx x = 0; x < ASIDE; x++) lit[x] = lit[w - 1 - x] = 0;
        /* Close to the border the view wraps round. */
        for (idx x = ASIDE; x < w - ASIDE; x++) {
            if (x == low) x = high;
            if (x >= w - ASIDE) break;
            lit[x] = (uint8_t)((kind[x - sign * ASIDE] == DARK_) & (kind[x + sign * ASIDE] == PICTURE_)
                               & (kind[wrapped(x + sign * deep, w)] == PICTURE_) & (kind[wrapped(x + sign * soft, w)] == PICTURE_));
        }
        if (high > low)
            holder_row(kind + low - sign * ASIDE, kind + low + sign * ASIDE, kind + low + sign * deep, kind + low + sign * soft,
                       high - low, lit + low);
    }
}

/* rectangles.best_turn: how well points line up along `slope`: the sum of powers 5/2 of what falls on each two lines. */
static double lined_up(const double *along, const double *across, const double *value, idx n, double slope, double low,
                       double *bins, idx size)
{
    double total = 0.0;
    memset(bins, 0, size * sizeof *bins);
    for (idx i = 0; i < n; i++) bins[(idx)(across[i] - slope * along[i] - low + 1)] += value[i];
    for (idx i = 1; i < size; i++) {
        const double pair = bins[i] + bins[i - 1];
        total += pair * pair * sqrt(pair);
    }
    return total;
}

/* rectangles.turned: the nearest pixel of either plane, BLOCK of them at a time. */
WIDEST static void turn_row(const uint8_t *kinds, const float *density, idx h, idx w, const float *x0, const float *y0, float x1,
                            float y1, idx n, uint8_t *kind, float *to)
{
    const int32_t right = (int32_t)w, bottom = (int32_t)h;
    int32_t at[BLOCK];
    for (idx from = 0; from < n; from += BLOCK) {
        const idx m = n - from < BLOCK ? n - from : BLOCK;
        for (idx i = 0; i < m; i++) {
            const int32_t x = (int32_t)(x0[from + i] - x1), y = (int32_t)(y0[from + i] + y1);
            at[i] = (x >= 1) & (x < right) & (y >= 1) & (y < bottom) ? y * right + x : 0;
        }
        for (idx i = 0; i < m; i++) {
            to[from + i] = density[at[i]];
            kind[from + i] = at[i] ? kinds[at[i]] : VOID_;
        }
    }
}

/* rectangles.counts: how many pixels of each row, and of each column, are set. */
WIDEST static void counts(const uint8_t *plane, idx h, idx w, int64_t *rows, uint32_t *columns)
{
    memset(columns, 0, w * sizeof *columns);
    for (idx y = 0; y < h; y++) {
        const uint8_t *row = plane + y * w;
        uint32_t sum = 0;
        for (idx x = 0; x < w; x++) {
            const uint32_t one = row[x] != 0;
            columns[x] += one;
            sum += one;
        }
        rows[y] = sum;
    }
}

/* rectangles._gate: of each row, or each column, how many pixels are dark just outside it and clear further inside. */
WIDEST static uint32_t meets(const uint8_t *outside, const uint8_t *inside, idx n, uint32_t *sums)
{
    uint32_t sum = 0;
    for (idx i = 0; i < n; i++) {
        const uint32_t one = (outside[i] == DARK_) & is_clear(inside[i]);
        if (sums) sums[i] += one;
        sum += one;
    }
    return sum;
}

static void gate_down(const uint8_t *kinds, idx h, idx w, idx sign, idx deep, uint32_t *sums)
{
    for (idx y = ASIDE; y < h - ASIDE; y++)
        sums[y] = meets(kinds + (y - sign * ASIDE) * w, kinds + wrapped(y + sign * deep, h) * w, w, NULL);
}

static void gate_across(const uint8_t *kinds, idx h, idx w, idx sign, idx deep, uint32_t *sums)
{
    const idx low = deep < w - ASIDE ? deep : w - ASIDE, high = w - deep > low ? w - deep : low;
    for (idx y = 0; y < h; y++) {
        const uint8_t *row = kinds + y * w;
        for (idx x = ASIDE; x < w - ASIDE; x++) {
            if (x == low) x = high;
            if (x >= w - ASIDE) break;
            sums[x] += (row[x - sign * ASIDE] == DARK_) & is_clear(row[wrapped(x + sign * deep, w)]);
        }
        if (high > low) meets(row + low - sign * ASIDE, row + low + sign * deep, high - low, sums + low);
    }
}

/* rectangles.rectangles: running sums, down and along, of what every second pixel is worth. */
static void area_sums(const uint8_t *kinds, idx h, idx w, const double *weights, double *out)
{
    const idx rows = (h + 1) / 2, columns = (w + 1) / 2, pitch = columns + 1;
    double *down = out;                                 /* the first row, till it is cleared at the end */
    memset(out, 0, pitch * sizeof *out);
    for (idx y = 0; y < rows; y++) {
        const uint8_t *row = kinds + 2 * y * w;
        double *to = out + (y + 1) * pitch, sum = 0.0;
        to[0] = 0.0;
        for (idx x = 0; x < columns; x++) down[x + 1] += weights[row[2 * x]];
        for (idx x = 0; x < columns; x++) to[x + 1] = sum += down[x + 1];
    }
    memset(out, 0, pitch * sizeof *out);
}

/* rectangles._extent: running sums down, or across, every second pixel; of one across, in a plane that is turned over. */
static void sum_down(const uint8_t *plane, idx h, idx w, int across, int32_t *out)
{
    const idx rows = ((across ? w : h) + 1) / 2, columns = ((across ? h : w) + 1) / 2;
    const idx down = across ? 2 : 2 * w, along = across ? 2 * w : 2;
    memset(out, 0, columns * sizeof *out);
    for (idx y = 0; y < rows; y++) {
        const uint8_t *row = plane + y * down;
        int32_t *to = out + (y + 1) * columns;
        for (idx x = 0; x < columns; x++) to[x] = to[x - columns] + row[x * along];
    }
}

/* faint.faint_rectangle: running sums along rows, with a row and a column of nothing before them. */
static void sum_along(const float *plane, idx h, idx w, float *out)
{
    memset(out, 0, (w + 1) * sizeof *out);
    for (idx y = 0; y < h; y++) {
        float *to = out + (y + 1) * (w + 1), sum = 0.0f;
        to[0] = 0.0f;
        for (idx x = 0; x < w; x++) to[x + 1] = sum += plane[y * w + x];
    }
}

/* faint.content: picture further than `by` pixels, along rows and columns, from holder and what is out of view, with at least
   two of its four neighbours. `shut` and `lit` are planes to work in. */
WIDEST static void content(const uint8_t *kinds, idx h, idx w, idx by, uint8_t *shut, uint8_t *lit, uint8_t *out)
{
    for (idx y = 0; y < h; y++) {
        uint8_t *row = out + y * w, *to = lit + y * w;
        const idx first = y > by ? y - by : 0, last = y + by < h ? y + by : h - 1;
        memset(row, 0, w);
        for (idx z = first; z <= last; z++)
            for (idx x = 0; x < w; x++) row[x] |= (kinds[z * w + x] == DARK_) | (kinds[z * w + x] == VOID_);
        /* A row of nothing on both sides of this one. */
        memset(shut, 0, w + 2 * by);
        for (idx z = 0; z <= 2 * by; z++)
            for (idx x = 0; x < w; x++) shut[z + x] |= row[x];
        for (idx x = 0; x < w; x++) to[x] = (uint8_t)((kinds[y * w + x] == PICTURE_) & !shut[by + x]);
    }
    memcpy(out, lit, h * w);
    for (idx y = 1; y + 1 < h; y++) {
        const uint8_t *row = lit + y * w;
        for (idx x = 1; x < w - 1; x++)
            out[y * w + x] = (uint8_t)(row[x] & (row[x - w] + row[x + w] + row[x - 1] + row[x + 1] >= 2));
    }
}

/* faint.running: how many pixels of every column are set from its first on, and from its last on; or of every row. */
WIDEST static void outside(const uint8_t *plane, idx h, idx w, float *before, float *after)
{
    for (idx y = 0; y < h; y++)
        for (idx x = 0; x < w; x++) before[y * w + x] = (y ? before[(y - 1) * w + x] : 0.0f) + plane[y * w + x];
    const float *all = before + (h - 1) * w;
    for (idx y = 0; y < h; y++)
        for (idx x = 0; x < w; x++) after[y * w + x] = all[x] - before[y * w + x] + plane[y * w + x];
}

WIDEST static void outside_along(const uint8_t *plane, idx h, idx w, float *before, float *after)
{
    for (idx y = 0; y < h; y++, plane += w, before += w, after += w) {
        int32_t sum = 0;
        for (idx x = 0; x < w; x++) before[x] = (float)(sum += plane[x]);
        for (idx x = 0; x < w; x++) after[x] = (float)sum - before[x] + plane[x];
    }
}

/* faint.faded: evidence of an edge, by how many pixels are exposed outside; most places have none. */
static void faded(const float *edges, idx n, const float *over, const float *table, idx entries, float *out)
{
    for (idx i = 0; i < n; i++) {
        uint64_t some[4];
        if (i + 8 <= n) {
            memcpy(some, edges + i, sizeof some);
            if (!((some[0] | some[1] | some[2] | some[3]) & 0x7fffffff7fffffff)) {
                memset(out + i, 0, sizeof some);
                i += 7;
                continue;
            }
        }
        out[i] = edges[i] > 0 ? edges[i] * table[within((idx)over[i], 0, entries - 1)] : 0.0f;
    }
}

/* faint._ends: of each column between two rows, or each row between two columns, how many pixels are set or have one set within
   `reach` pixels further along `sign`, all round. */
WIDEST static void near_within(const uint8_t *plane, idx h, idx w, idx low, idx high, int axis, idx sign, idx reach, uint8_t *some,
                               int32_t *out)
{
    memset(out, 0, (axis ? h : w) * sizeof *out);
    for (idx y = axis ? 0 : low; y < (axis ? h : high); y++) {
        const uint8_t *row = plane + y * w;
        if (axis) {
            int32_t sum = 0;
            memcpy(some, row, w);
            for (idx step = 1; step < reach; step++) {
                const uint8_t *other = plane + wrapped(y + sign * step, h) * w;
                for (idx x = low; x < high; x++) some[x] |= other[x];
            }
            for (idx x = low; x < high; x++) sum += some[x];
            out[y] = sum;
            continue;
        }
        /* The row, and what it goes on with past its end. */
        for (idx x = 0; x < reach; x++) some[x] = row[wrapped(x - reach, w)], some[reach + w + x] = row[x % w];
        memcpy(some + reach, row, w);
        for (idx step = 0; step < reach; step++)
            for (idx x = 0; x < w; x++) some[2 * reach + w + x] = (step ? some[2 * reach + w + x] : 0) | some[reach + x + sign * step];
        for (idx x = 0; x < w; x++) out[x] += some[2 * reach + w + x];
    }
}

/* faint.best_comb: of pictures `wide` at one pitch, from which place on they lie best; see there for what counts. */
typedef struct {
    const double *enter, *leave, *filled;
    idx n, wide, gap, first, last;
    double high, filling, gapped, inside;
} comb;

static idx best_comb(comb c, double *best, double *ends, double *gaps)
{
    const idx pitch = c.wide + c.gap, count_most = (c.last - c.first + c.gap) / pitch, clear = c.gap - 3 > 2 ? c.gap - 3 : 2;
    const idx room = c.last - c.first - 2 * pitch + c.gap + 1, stop = c.first + (pitch < room ? pitch : room);
    const double total = c.filled[c.n - 1] > 1.0 ? c.filled[c.n - 1] : 1.0;
    idx found = -1;
    for (idx start = c.first; start < stop; start += 2) {
        double seen = 0.0, quality = 0.0, held = 0.0, spoilt = 0.0;
        idx count = 0, pairs = 0, before = -2;
        for (idx k = 0; k < count_most; k++) {
            const idx low = start + k * pitch, far = low + c.wide;
            if (far > c.last) break;
            const double here = c.filled[far] - c.filled[low];
            held += here;
            if (!(here > c.filling)) continue;
            const idx after = far + 2, ahead = low - 2 - clear, end = c.n - 1;
            spoilt += (c.filled[within(after + clear, 0, end)] - c.filled[within(after, 0, end)]
                       + c.filled[within(ahead + clear, 0, end)] - c.filled[within(ahead, 0, end)]) / (c.high * clear);
            seen += c.enter[low] + c.leave[far];
            if (before == k - 1) {
                pairs++;
                quality += (c.leave[far - pitch] + c.enter[low]) / 2 - c.gapped;
            }
            before = k;
            count++;
        }
        if (count < 2 || pairs < count - 1) continue;
        const double share = seen / count, between = 0.6 * quality - 2.5 * spoilt, value = share + between + c.inside * held / total;
        if (found < 0 || value > *best) found = start, *best = value, *ends = share, *gaps = between;
    }
    return found;
}

/* frame._attempt: how many pixels of each kind there are in a rectangle. */
static void tally(const uint8_t *kinds, idx w, idx top, idx bottom, idx left, idx right, int64_t *out)
{
    int64_t n[4][8] = {{0}};
    for (idx y = top; y < bottom; y++)
        for (idx x = left; x < right; x++) n[x & 3][kinds[y * w + x] & 7]++;
    for (int k = 0; k < 5; k++) out[k] = n[0][k] + n[1][k] + n[2][k] + n[3][k];
}

/* gate._boxes: top, bottom, left, right of the 8-connected parts of a plane, in the order in which they are met, of those whose
   sides are longer than `least` and shorter than `longest`; how many, or -1 where there is no memory. */
static idx root_of(int32_t *root, idx i)
{
    while (root[i] != i) i = root[i] = root[root[i]];
    return i;
}

static idx boxes(const uint8_t *plane, idx h, idx w, idx least_, double longest, int32_t *out)
{
    idx n = 0, room = 4096, found = 0;
    int32_t *runs = PyMem_RawMalloc((size_t)room * 6 * sizeof *runs), *root; /* first, last + 1, top, bottom, left, right */
    if (!runs) return -1;
    for (idx y = 0; y < h; y++) {
        const uint8_t *row = plane + y * w;
        for (idx x = 0; x < w; x++) {
            if (x + 8 <= w) {
                uint64_t eight;
                memcpy(&eight, row + x, 8);
                if (!eight) {
                    x += 7;
                    continue;
                }
            }
            if (!row[x]) continue;
            const idx start = x;
            while (x < w && row[x]) x++;
            if (n == room) {
                int32_t *more = PyMem_RawRealloc(runs, (size_t)(room *= 2) * 6 * sizeof *runs);
                if (!more) return PyMem_RawFree(runs), -1;
                runs = more;
            }
            int32_t *run = runs + 6 * n++;
            run[0] = run[4] = (int32_t)start, run[1] = run[5] = (int32_t)x, run[2] = (int32_t)y, run[3] = (int32_t)y + 1;
        }
    }
    if (!(root = PyMem_RawMalloc((size_t)(n + 1) * sizeof *root))) return PyMem_RawFree(runs), -1;
    for (idx i = 0; i < n; i++) root[i] = (int32_t)i;
    for (idx i = 0, j = 0; i < n; i++) {
        const int32_t *run = runs + 6 * i;
        /* Of the row above, the runs that touch this one, corners included. */
        while (j < i && (runs[6 * j + 2] < run[2] - 1 || (runs[6 * j + 2] == run[2] - 1 && runs[6 * j + 1] < run[0]))) j++;
        for (idx k = j; k < i && runs[6 * k + 2] == run[2] - 1 && runs[6 * k] <= run[1]; k++) {
            const idx a = root_of(root, i), b = root_of(root, k);
            root[a > b ? a : b] = (int32_t)(a > b ? b : a);
        }
    }
    for (idx i = 0; i < n; i++) {
        const idx at = root_of(root, i);
        int32_t *to = runs + 6 * at;
        const int32_t *run = runs + 6 * i;
        if (at == i) continue;
        to[3] = run[2] + 1 > to[3] ? run[2] + 1 : to[3];
        to[4] = run[0] < to[4] ? run[0] : to[4];
        to[5] = run[1] > to[5] ? run[1] : to[5];
    }
    for (idx i = 0; i < n; i++) {
        const int32_t *run = runs + 6 * i;
        const idx high = run[3] - run[2], wide = run[5] - run[4];
        if (root[i] != i || high <= least_ || wide <= least_ || !(high < longest && wide < longest)) continue;
        memcpy(out + 4 * found++, run + 2, 4 * sizeof *out);
    }
    PyMem_RawFree(runs);
    PyMem_RawFree(root);
    return found;
}

/* gate._rows: which of some boxes have at least `least_` like them, themselves included. */
WIDEST static void mates(const double *top, const double *bottom, const double *wide, idx n, idx least_, double longer, uint8_t *out)
{
    for (idx i = 0; i < n; i++) {
        const double off = 0.15 * wide[i] > 1.5 ? 0.15 * wide[i] : 1.5, unit = wide[i] / longer;
        const double aside = 0.25 * unit > 2.0 ? 0.25 * unit : 2.0;
        idx count = 0;
        for (idx j = 0; j < n; j++)
            count += (fabs(wide[j] - wide[i]) <= off) & (fabs(top[j] - top[i]) <= aside) & (fabs(bottom[j] - bottom[i]) <= aside);
        out[i] = count >= least_;
    }
}

/* rectangles._slots: of each column between two rows, or each row between two columns, how much evidence there is on it or on
   one beside it. */
WIDEST static void edges_within(const float *plane, idx h, idx w, idx low, idx high, int axis, float *out)
{
    const idx n = axis ? h : w;
    memset(out, 0, n * sizeof *out);
    if (!axis) {
        for (idx y = low; y < high; y++) {
            const float *row = plane + y * w;
            out[0] += most(most(row[w - 1], row[w > 1]), row[0]);
            out[w - 1] += w > 1 ? most(most(row[w - 2], row[0]), row[w - 1]) : 0.0f;
            for (idx x = 1; x < w - 1; x++) out[x] += most(most(row[x - 1], row[x + 1]), row[x]);
        }
        return;
    }
    for (idx y = 0; y < h; y++) {
        const float *row = plane + y * w, *before = plane + (y ? y - 1 : h - 1) * w, *after = plane + (y + 1 < h ? y + 1 : 0) * w;
        double sum[8] = {0.0};
        idx x = low;
        for (; x + 8 <= high; x += 8)
            for (int k = 0; k < 8; k++) sum[k] += most(most(before[x + k], after[x + k]), row[x + k]);
        for (; x < high; x++) sum[0] += most(most(before[x], after[x]), row[x]);
        out[y] = (float)(((sum[0] + sum[1]) + (sum[2] + sum[3])) + ((sum[4] + sum[5]) + (sum[6] + sum[7])));
    }
}

/* rectangles._slots: of each column between two rows, or each row between two columns, how many pixels are of each kind. */
WIDEST static void tallies(const uint8_t *kinds, idx h, idx w, idx low, idx high, int axis, int32_t *out)
{
    const idx n = axis ? h : w;
    memset(out, 0, 5 * n * sizeof *out);
    for (idx y = axis ? 0 : low; y < (axis ? h : high); y++) {
        const uint8_t *row = kinds + y * w;
        for (int kind = 0; kind < 5; kind++) {
            int32_t *to = out + kind * n;
            if (axis) {
                int32_t sum = 0;
                for (idx x = low; x < high; x++) sum += row[x] == kind;
                to[y] = sum;
            } else {
                for (idx x = 0; x < w; x++) to[x] += row[x] == kind;
            }
        }
    }
}

/* levels.parts: whether every channel, or any, lets through more light than `level`. */
WIDEST static void brighter(const float *log, idx n, const float *level, int every, uint8_t *out)
{
    const float *green = log + n, *blue = green + n, r = level[0], g = level[1], b = level[2];
    if (every)
        for (idx i = 0; i < n; i++) out[i] = (uint8_t)((log[i] > r) & (green[i] > g) & (blue[i] > b));
    else
        for (idx i = 0; i < n; i++) out[i] = (uint8_t)((log[i] > r) | (green[i] > g) | (blue[i] > b));
}

/* keen._evened: of what is `close` among the pixel and its neighbours, the mean; `sums` are six rows to work in. */
WIDEST static void evened(const float *plane, const uint8_t *close, idx h, idx w, float *sums, float *out)
{
    float *down = sums + 1, *many = sums + w + 3;
    for (idx y = 0; y < h; y++) {
        const idx a = y * w, up = y ? -w : 0, low = y + 1 < h ? w : 0;
        const float first = y ? 1.0f : 0.0f, last = y + 1 < h ? 1.0f : 0.0f;
        const float *p = plane + a;
        const uint8_t *c = close + a;
        for (idx x = 0; x < w; x++) {
            const float before = c[up + x] ? p[up + x] * first : 0.0f, after = c[low + x] ? p[low + x] * last : 0.0f;
            down[x] = before + (c[x] ? p[x] : 0.0f) + after;
            many[x] = c[up + x] * first + c[x] + c[low + x] * last;
        }
        down[-1] = down[w] = many[-1] = many[w] = 0.0f;
        for (idx x = 0; x < w; x++)
            out[a + x] = (down[x - 1] + down[x] + down[x + 1]) / most(many[x - 1] + many[x] + many[x + 1], 1.0f);
    }
}

/* keen.stretched: log light over that of a tone, one row; what is little denser is `gain` times denser. */
WIDEST static void stretch_row(const float *const *log, idx n, const float *across, const float *x, float down, float cross,
                               const float *base, float within_, float gain, float kept, float *const *out)
{
    const float r0 = base[0], g0 = base[1], b0 = base[2], inverse = (float)(1.0 / (kept - within_));
    const float *red = log[0], *green = log[1], *blue = log[2];
    float *r_ = out[0], *g_ = out[1], *b_ = out[2];
    APART
    for (idx i = 0; i < n; i++) {
        const float surface = across[i] + down + cross * x[i];
        const float r = surface + r0 - red[i], g = surface + g0 - green[i], b = surface + b0 - blue[i];
        const float density = (r + g + b) * (float)(1.0 / 3);
        const float more = least(most(density, 0.0f), within_) * least(most((kept - density) * inverse, 0.0f), 1.0f);
        const float all = surface + (gain - 1.0f) * more;
        r_[i] = red[i] - all - r0;
        g_[i] = green[i] - all - g0;
        b_[i] = blue[i] - all - b0;
    }
}

/* keen.nearby: log light over that of a tone, `gain` times, no more than so much; and the mean of the channels. */
WIDEST static void tell_row(const float *const *log, idx n, const float *across, const float *x, float down, float cross,
                            const float *base, float gain, float far, float *const *out, float *mean)
{
    const float r0 = base[0], g0 = base[1], b0 = base[2];
    const float *red = log[0], *green = log[1], *blue = log[2];
    float *r_ = out[0], *g_ = out[1], *b_ = out[2];
    APART
    for (idx i = 0; i < n; i++) {
        const float surface = across[i] + down + cross * x[i];
        const float r = least(most(gain * (red[i] - surface - r0), -far), far), g = least(most(gain * (green[i] - surface - g0), -far), far);
        const float b = least(most(gain * (blue[i] - surface - b0), -far), far);
        r_[i] = r, g_[i] = g, b_[i] = b;
        mean[i] = (r + g + b) / 3.0f;
    }
}

/* rectangles._lines: along one candidate, a row or a column, running sums of the evidence of a side, and of picture outside. */
static void line_sums(const uint8_t *kinds, const float *rebate, const uint8_t *holder, idx h, idx w, int axis, idx sign, idx at, idx what,
                      idx letters, double *edge, double *beyond)
{
    const idx n = axis ? w : h, length = axis ? h : w, step = axis ? 1 : w, along = axis ? w : 1;
    const idx low = at > 2 ? at - 2 : 0, high = at + 3 < n ? at + 3 : n, deep = at - sign * letters;
    idx first, last;
    if (sign > 0)
        first = at > 3 ? at - 3 : 0, last = at > 2 ? at - 1 : 1;
    else
        first = at + 2 < n - 1 ? at + 2 : n - 1, last = at + 4 < n ? at + 4 : n;
    edge[0] = beyond[0] = 0.0;
    for (idx i = 0; i < length; i++) {
        const idx here = i * along;
        double seen = 0.0;
        if (what == 0) {
            float value = rebate[here + low * step];
            for (idx k = low + 1; k < high; k++) value = most(value, rebate[here + k * step]);
            seen = value;
        } else if (what == 1) {
            for (idx k = low; k < high; k++) seen = holder[here + k * step] ? 1.0 : seen;
        } else {
            seen = kinds[here + within(at + sign * INWARDS, 0, n - 1) * step] == DARK_;
        }
        int outside = 1;
        for (idx k = first; k < last; k++) outside &= kinds[here + k * step] == PICTURE_;
        /* Print, or a holder's penumbra, beyond a sliver of rebate. */
        if (what == 0) outside &= seen < 0.3;
        const int lasts = deep >= 0 && deep < n && kinds[here + deep * step] == PICTURE_;
        edge[i + 1] = edge[i] + seen;
        beyond[i + 1] = beyond[i] + (outside ? lasts ? 1.0 : 0.5 : 0.0);
    }
}

/* sides.fitted: a line, bent, through places along a side; see there. Returns how far they commonly lie off it. */
typedef struct {
    double value, weight;
} weighted;

static int by_value(const void *a, const void *b)
{
    const double x = ((const weighted *)a)->value, y = ((const weighted *)b)->value;
    return (x > y) - (x < y);
}

static double fit_line(const double *s, const double *at, const double *weight, idx n, int early, double settled, double *line, weighted *off)
{
    double scatter = 0.0;
    for (int round = 0; round < 6; round++) {
        double total = 0.0, sum = 0.0, low = INFINITY, high = -INFINITY, many = 0.0;
        double a[3][4] = {{0.0}};
        idx half = 0;
        for (idx i = 0; i < n; i++) {
            off[i].value = fabs(at[i] - (line[0] + line[1] * s[i] + line[2] * (s[i] * s[i] - 1)));
            off[i].weight = weight[i];
            total += weight[i];
        }
        qsort(off, (size_t)n, sizeof *off, by_value);
        while (half < n - 1 && (sum += off[half].weight) < total / 2) half++;
        scatter = 1.4826 * off[half].value > 0.15 ? 1.4826 * off[half].value : 0.15;
        const double wide = 3.0 * scatter > 0.6 ? 3.0 * scatter : 0.6, scale = wide < 2.5 ? wide : 2.5;
        for (idx i = 0; i < n; i++) {
            const double t[3] = {1.0, s[i], s[i] * s[i] - 1}, rest = at[i] - (line[0] + line[1] * s[i] + line[2] * t[2]);
            const double far = rest / (0.5 * scale), use = fabs(rest) < 2 * scale ? weight[i] / (1 + far * far) : 0.0;
            if (!(use > 0)) continue;
            low = s[i] < low ? s[i] : low, high = s[i] > high ? s[i] : high, many += use;
            for (int j = 0; j < 3; j++) {
                for (int k = 0; k < 3; k++) a[j][k] += use * t[j] * t[k];
                a[j][3] += use * t[j] * at[i];
            }
        }
        const double spread = high > low ? high - low : 0.0, held = spread > 0.1 ? spread : 0.1, all = 1 + 0.02 * n;
        a[0][0] += 1e-9;
        a[1][1] += 0.6 / (held * held) * all + 1e-9;
        a[2][2] += (spread < 1.2 || early ? 1e6 : 1.5 / (held * held * held * held) * all) + 1e-9;
        for (int j = 0; j < 3; j++)         /* symmetric and positive, so no row changes places */
            for (int k = j + 1; k < 3; k++) {
                const double share = a[k][j] / a[j][j];
                for (int m = j; m < 4; m++) a[k][m] -= share * a[j][m];
            }
        double moved = 0.0;
        for (int j = 2; j >= 0; j--) {
            double value = a[j][3];
            for (int k = j + 1; k < 3; k++) value -= a[j][k] * a[k][3];
            a[j][3] = value / a[j][j];
        }
        for (int j = 0; j < 3; j++) {
            moved = fabs(a[j][3] - line[j]) > moved ? fabs(a[j][3] - line[j]) : moved;
            line[j] = a[j][3];
        }
        if (many < 3 || moved < settled) break;
    }
    return scatter;
}

INLINE double clipped(double v, double high) { return v > 0.0 ? v < high ? v : high : 0.0; }

/* sides._crossings: of each profile, where the light is half way between both sides of its steepest rise. */
static void crossings(const double *profile, const double *light, idx rows, idx n, const double *across, const double *guess,
                      double window, int wide, double *at, double *rise)
{
    const idx far = wide ? 12 : 6;
    const double sign = wide ? 1.0 : -1.0;
    for (idx y = 0; y < rows; y++, profile += n, light += n) {
        double steepest = -INFINITY;
        idx best = 0, first = -1;
        for (idx i = 0; i < n; i++) {
            double steep = -1.0;
            if (fabs(across[i] - guess[y]) <= window) steep = i < 2 || i >= n - 2 ? 0.0 : profile[i + 2] - profile[i - 2];
            if (steep > steepest) steepest = steep, best = i;
        }
        const idx lo = best > far ? best - far : 0, hi = best + far < n ? best + far : n - 1;
        const double half = sign * ((light[lo] + light[hi]) / 2);
        for (idx i = lo; i < hi; i++) {
            const idx away = i < best ? best - i : i - best, before = first < best ? best - first : first - best;
            if (sign * light[i] <= half && sign * light[i + 1] > half && (first < 0 || away < before)) first = i;
        }
        rise[y] = first < 0 || !(profile[hi] - profile[lo] > 0) ? 0.0 : profile[hi] - profile[lo];
        if (first < 0) first = 0;
        const double a = sign * light[first], span = sign * light[first + 1] - a, share = (half - a) / (span > 1e-6 ? span : 1e-6);
        at[y] = across[first] + (share > 0 ? share < 1 ? share : 1.0 : 0.0) * (across[1] - across[0]);
    }
}

/* sides.sample, and frame._refined: bilinear light at points, and its log10, the mean of three channels. */
WIDEST static void logs_at(const float *light, idx h, idx w, const double *px, const double *py, idx n, float floor, float *out)
{
    for (idx i = 0; i < n; i++) {
        const double x = clipped(px[i], w - 1.001), y = clipped(py[i], h - 1.001);
        const idx ix = (idx)x, iy = (idx)y;
        const float fx = (float)(x - ix), fy = (float)(y - iy);
        const float *p = light + 3 * (iy * w + ix), *q = p + 3 * w;
        float log[3];
        for (int c = 0; c < 3; c++) {
            const float upper = p[c] * (1 - fx) + p[c + 3] * fx, lower = q[c] * (1 - fx) + q[c + 3] * fx;
            log[c] = logarithm(most(upper * (1 - fy) + lower * fy, floor)) * 0.43429448f;
        }
        out[i] = (log[0] + log[1] + log[2]) * (float)(1.0 / 3);
    }
}

/* --- what Python sees: every length is checked before a loop runs ---------------------------------------------------- */

static int holds(const Py_buffer *b, idx items, idx size, const char *name)
{
    if (items >= 0 && b->len >= items * size) return 1;
    PyErr_Format(PyExc_ValueError, "%s holds %zd bytes, not %zd items of %zd", name, b->len, items, size);
    return 0;
}

static int inside(int fine, const char *what)
{
    if (!fine) PyErr_SetString(PyExc_ValueError, what);
    return fine;
}

static const float *or_none(const Py_buffer *b) { return b->buf; }

static PyObject *py_halve(PyObject *self, PyObject *args)
{
    Py_buffer mosaic, out;
    idx pitch, top, left, rows, columns;
    int place[4], black[4], white;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nnnnn(iiii)(iiii)iw*", &mosaic, &pitch, &top, &left, &rows, &columns, place, place + 1, place + 2,
                          place + 3, black, black + 1, black + 2, black + 3, &white, &out))
        return NULL;
    int fine = inside(top >= 0 && left >= 0 && rows >= 0 && columns >= 0 && left + 2 * columns <= pitch, "the cells leave the mosaic")
               && holds(&mosaic, (top + 2 * rows) * pitch, 2, "mosaic") && holds(&out, 3 * rows * columns, 2, "out");
    for (int k = 0; fine && k < 4; k++) fine = inside(place[k] >= 0 && place[k] < 4, "a cell has four places");
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        for (idx y = 0; y < rows; y++) {
            const uint16_t *cell = (const uint16_t *)mosaic.buf + (top + 2 * y) * pitch + left, *of[4];
            for (int k = 0; k < 4; k++) of[k] = cell + place[k] / 2 * pitch + place[k] % 2;
            halve_row(of[0], of[1], of[2], of[3], columns, black, white, (uint16_t *)out.buf + 3 * columns * y);
        }
        Py_END_ALLOW_THREADS
    }
    PyBuffer_Release(&mosaic);
    PyBuffer_Release(&out);
    if (!fine) return NULL;
    Py_RETURN_NONE;
}

static PyObject *py_block_mean(PyObject *self, PyObject *args)
{
    Py_buffer samples, out;
    int wide;
    idx width, channels, k, rows, columns;
    float scale;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*pnnnnnfw*", &samples, &wide, &width, &channels, &k, &rows, &columns, &scale, &out)) return NULL;
    const idx pitch = width * channels, n = columns * k * channels;
    int fine = inside(channels > 0 && k > 0 && rows >= 0 && columns >= 0 && columns * k <= width, "the blocks leave the picture")
               && holds(&samples, rows * k * pitch, wide ? 2 : 4, "samples") && holds(&out, rows * columns * channels, 4, "out");
    void *sum = fine ? PyMem_RawMalloc((size_t)n * 4 + 4) : NULL;
    if (fine && !sum) fine = PyErr_NoMemory() != NULL;
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        for (idx y = 0; y < rows; y++) {
            float *to = (float *)out.buf + y * columns * channels;
            if (wide) {
                add_rows_of_codes((const uint16_t *)samples.buf + y * k * pitch, pitch, k, n, sum);
                add_columns_of_codes(sum, columns, k, channels, scale, to);
            } else {
                add_rows((const float *)samples.buf + y * k * pitch, pitch, k, n, sum);
                add_columns(sum, columns, k, channels, scale, to);
            }
        }
        Py_END_ALLOW_THREADS
    }
    PyMem_RawFree(sum);
    PyBuffer_Release(&samples);
    PyBuffer_Release(&out);
    if (!fine) return NULL;
    Py_RETURN_NONE;
}

#if HAVE_PREAD
/* Some bytes of a file: 1, 0 where it ends before, or less a number of an error. */
static int bytes_at(int file, void *to, idx count, off_t at)
{
    for (idx have = 0; have < count;) {
        const ssize_t got = pread(file, (char *)to + have, (size_t)(count - have), at + have);
        if (got < 0 && errno == EINTR) continue;
        if (got <= 0) return got < 0 ? -errno : 0;
        have += got;
    }
    return 1;
}

static PyObject *read_or_not(int got)
{
    if (got < 0) {
        errno = -got;
        return PyErr_SetFromErrno(PyExc_OSError);
    }
    return PyBool_FromLong(got);
}

/* rows._filled: the same bytes of some lines of a file; false where the file ends before. */
static PyObject *py_read_window(PyObject *self, PyObject *args)
{
    Py_buffer out;
    idx at, pitch, n, count;
    int file, got = 1;
    (void)self;
    if (!PyArg_ParseTuple(args, "innnnw*", &file, &at, &pitch, &n, &count, &out)) return NULL;
    const int fine = inside(at >= 0 && pitch >= 0 && n >= 0 && count >= 0, "lines lie in a file") && holds(&out, n * count, 1, "out");
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        for (idx i = 0; i < n && got == 1; i++) got = bytes_at(file, (char *)out.buf + i * count, count, (off_t)(at + i * pitch));
        Py_END_ALLOW_THREADS
    }
    PyBuffer_Release(&out);
    return fine ? read_or_not(got) : NULL;
}

/* capture.means_and_clipped of samples in a file, codes or what a table has for them, read as they are wanted into memory that stays
   in the second cache; the interpreter's lock is not asked for between: beside imports that is waited for longer than all of this
   takes. */
static PyObject *py_file_means(PyObject *self, PyObject *args)
{
    Py_buffer table, out, full;
    idx at, height, width, channels, k, every;
    int file, got = 1;
    float scale, ceiling;
    (void)self;
    if (!PyArg_ParseTuple(args, "innnnnz*ffnw*w*", &file, &at, &height, &width, &channels, &k, &table, &scale, &ceiling, &every, &out,
                          &full))
        return NULL;
    const idx line = width * channels;
    int fine = inside(at >= 0 && height >= 0 && width > 0 && channels > 0 && k > 0 && every > 0, "there are no such blocks")
               && (!table.buf || holds(&table, UINT16_MAX + 1, 4, "table"))
               && holds(&out, (height / k) * (width / k) * channels, 4, "out") && holds(&full, 1, 8, "full");
    uint16_t *some = fine ? PyMem_RawMalloc((size_t)(k * line) * 2) : NULL;
    float *light = fine && table.buf ? PyMem_RawMalloc((size_t)(k * line) * 4) : NULL;
    void *sum = fine ? PyMem_RawMalloc((size_t)line * 4) : NULL;
    if (fine && (!some || !sum || (table.buf && !light))) fine = PyErr_NoMemory() != NULL;
    if (fine) {
        int64_t count = 0;
        Py_BEGIN_ALLOW_THREADS
        for (idx y = 0; y < height && got == 1; y += k) {
            const idx n = height - y < k ? height - y : k;
            got = bytes_at(file, some, 2 * n * line, (off_t)(at + 2 * y * line));
            if (got != 1) break;
            float *to = (float *)out.buf + y / k * (width / k) * channels;
            if (light) look_up(some, n * line, table.buf, light);
            if (n == k && light) {
                add_rows(light, line, k, (width / k) * k * channels, sum);
                add_columns(sum, width / k, k, channels, scale, to);
            } else if (n == k) {
                add_rows_of_codes(some, line, k, (width / k) * k * channels, sum);
                add_columns_of_codes(sum, width / k, k, channels, scale, to);
            }
            for (idx row = y + (every - y % every) % every; row < y + n && ceiling < HUGE_VALF; row += every)
                for (idx x = 0; x < width; x += every) {
                    int over = 0;
                    for (idx i = (row - y) * line + x * channels, c = 0; c < channels; c++, i++)
                        over |= (light ? light[i] : (float)some[i]) >= ceiling;
                    count += over;
                }
        }
        Py_END_ALLOW_THREADS
        *(int64_t *)full.buf = count;
    }
    PyMem_RawFree(some);
    PyMem_RawFree(light);
    PyMem_RawFree(sum);
    PyBuffer_Release(&table);
    PyBuffer_Release(&out);
    PyBuffer_Release(&full);
    return fine ? read_or_not(got) : NULL;
}
#endif

static PyObject *py_look_up(PyObject *self, PyObject *args)
{
    Py_buffer codes, table, out;
    idx n;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*ny*w*", &codes, &n, &table, &out)) return NULL;
    const int fine = holds(&codes, n, 2, "codes") && holds(&table, UINT16_MAX + 1, 4, "table") && holds(&out, n, 4, "out");
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        look_up(codes.buf, n, table.buf, out.buf);
        Py_END_ALLOW_THREADS
    }
    PyBuffer_Release(&codes);
    PyBuffer_Release(&table);
    PyBuffer_Release(&out);
    if (!fine) return NULL;
    Py_RETURN_NONE;
}

static PyObject *py_light(PyObject *self, PyObject *args)
{
    Py_buffer samples, field, low, share, out;
    int wide;
    idx width, left, n, count, fields, stride, x0;
    float scale;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*pnnnnz*nnny*y*fw*", &samples, &wide, &width, &left, &n, &count, &field, &fields, &stride, &x0,
                          &low, &share, &scale, &out))
        return NULL;
    const idx size = wide ? 2 : 4;
    const int64_t *rows = low.buf;
    int fine = inside(left >= 0 && n >= 0 && count >= 0 && left + count <= width, "the window leaves the capture")
               && holds(&samples, n * width, size, "samples") && holds(&out, n * count, 4, "out");
    if (fine && field.buf) {
        fine = inside(x0 >= 0 && x0 + count <= stride, "the window leaves the field") && holds(&field, fields * stride, 4, "field")
               && holds(&low, n, 8, "low") && holds(&share, n, 4, "share");
        for (idx i = 0; fine && i < n; i++) fine = inside(rows[i] >= 0 && rows[i] + 1 < fields, "the field has no such row");
    }
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        for (idx i = 0; i < n; i++) {
            const char *from = (const char *)samples.buf + (i * width + left) * size;
            const float *a = field.buf ? (const float *)field.buf + rows[i] * stride + x0 : NULL;
            light_row(from, wide, count, a, a ? a + stride : NULL, a ? ((const float *)share.buf)[i] : 0.0f, scale,
                      (float *)out.buf + i * count);
        }
        Py_END_ALLOW_THREADS
    }
    PyBuffer_Release(&samples);
    PyBuffer_Release(&field);
    PyBuffer_Release(&low);
    PyBuffer_Release(&share);
    PyBuffer_Release(&out);
    if (!fine) return NULL;
    Py_RETURN_NONE;
}

static PyObject *py_shift_rows(PyObject *self, PyObject *args)
{
    Py_buffer rows, low, weights, out;
    idx n, width, channels, wide;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nnny*y*w*n", &rows, &n, &width, &channels, &low, &weights, &out, &wide)) return NULL;
    const int fine = inside(width > 0 && channels > 0 && wide >= 0, "nothing to shift")
                     && holds(&rows, n * width * channels, 4, "rows") && holds(&low, n, 8, "low")
                     && holds(&weights, n * TAPS, 4, "weights") && holds(&out, n * wide * channels, 4, "out");
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        for (idx i = 0; i < n; i++)
            shift_row((const float *)rows.buf + i * width * channels, width, channels, (idx)((const int64_t *)low.buf)[i],
                      (const float *)weights.buf + i * TAPS, (float *)out.buf + i * wide * channels, wide);
        Py_END_ALLOW_THREADS
    }
    PyBuffer_Release(&rows);
    PyBuffer_Release(&low);
    PyBuffer_Release(&weights);
    PyBuffer_Release(&out);
    if (!fine) return NULL;
    Py_RETURN_NONE;
}

static PyObject *py_shift_columns(PyObject *self, PyObject *args)
{
    Py_buffer ring, starts, lows, weights, out;
    idx lines, stride, y, n, runs;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nnnny*y*ny*w*", &ring, &lines, &stride, &y, &n, &starts, &lows, &runs, &weights,
                          &out))
        return NULL;
    const int64_t *start = starts.buf, *low = lows.buf;
    int fine = inside(lines >= TAPS && stride > 0 && y >= 0 && n >= 0 && runs >= 0, "nothing to shift")
               && holds(&ring, lines * stride, 4, "ring") && holds(&starts, runs + 1, 8, "starts")
               && holds(&lows, runs, 8, "lows") && holds(&weights, TAPS * stride, 4, "weights") && holds(&out, n * stride, 4, "out");
    for (idx r = 0; fine && r < runs; r++)
        fine = inside(start[r] >= 0 && start[r + 1] >= start[r] && start[r + 1] <= stride && low[r] >= 0,
                      "a column leaves the ring");
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        /* As many columns at a time as leave their rows and weights in the second cache. */
        for (idx r = 0, next; r < runs; r = next) {
            for (next = r + 1; next < runs && start[next + 1] - start[r] <= BLOCK;) next++;
            shift_runs(ring.buf, lines, stride, y, n, start + r, low + r, next - r, weights.buf, out.buf);
        }
        Py_END_ALLOW_THREADS
    }
    Py_buffer *all[] = {&ring, &starts, &lows, &weights, &out};
    for (size_t i = 0; i < sizeof all / sizeof *all; i++) PyBuffer_Release(all[i]);
    if (!fine) return NULL;
    Py_RETURN_NONE;
}

static PyObject *py_develop(PyObject *self, PyObject *args)
{
    Py_buffer light, before, held, unmix, weights, tables, after, bias, out, density;
    stages s;
    idx n;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*niy*z*y*y*y*ny*y*fffw*z*", &light, &n, &s.channels, &before, &held, &unmix, &weights, &tables,
                          &s.entries, &after, &bias, &s.tiny, &s.zero, &s.last, &out, &density))
        return NULL;
    const idx c = s.channels;
    const int fine = inside(c == 1 || c == 3, "one channel or three")
                     && inside(s.last >= 0 && s.last < (float)s.entries - 1, "the table ends too soon")
                     && holds(&light, 3 * n, 4, "light") && holds(&before, 9, 4, "before") && (!held.buf || holds(&held, 3, 4, "held"))
                     && holds(&unmix, 3 * c, 4, "unmix") && holds(&weights, 3, 4, "weights")
                     && holds(&tables, c * s.entries, 4, "tables") && holds(&after, c * c, 4, "after") && holds(&bias, c, 4, "bias")
                     && holds(&out, c * n, 4, "out") && (!density.buf || (!density.readonly && holds(&density, n, 4, "density")));
    if (fine) {
        s.before = before.buf, s.held = or_none(&held), s.unmix = unmix.buf, s.weights = weights.buf;
        s.tables = tables.buf, s.after = after.buf, s.bias = bias.buf;
        Py_BEGIN_ALLOW_THREADS
        develop(light.buf, n, s, out.buf, density.buf);
        Py_END_ALLOW_THREADS
    } else if (!PyErr_Occurred())
        PyErr_SetString(PyExc_ValueError, "density cannot be written");
    Py_buffer *all[] = {&light, &before, &held, &unmix, &weights, &tables, &after, &bias, &out, &density};
    for (size_t i = 0; i < sizeof all / sizeof *all; i++) PyBuffer_Release(all[i]);
    if (!fine) return NULL;
    Py_RETURN_NONE;
}

static PyObject *py_encode(PyObject *self, PyObject *args)
{
    Py_buffer linear, matrix, luminance, tone, codes, out;
    PyObject *rows_of_codes;
    coding e;
    idx n;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*niz*y*z*nfy*niO", &linear, &n, &e.channels, &matrix, &luminance, &tone, &e.tones, &e.top,
                          &codes, &e.entries, &e.bits, &rows_of_codes))
        return NULL;
    const idx size = e.bits == 8 ? 1 : 2;
    int fine = PyObject_GetBuffer(rows_of_codes, &out, PyBUF_STRIDES | PyBUF_WRITABLE) == 0;
    if (!fine) out.obj = NULL;
    fine = fine && inside(e.channels == 1 || e.channels == 3, "one channel or three") && inside(e.entries > 0, "no codes")
           && holds(&linear, n * e.channels, 4, "linear") && (!matrix.buf || holds(&matrix, 9, 4, "matrix"))
           && holds(&luminance, 3, 4, "luminance") && (!tone.buf || (holds(&tone, e.tones, 4, "tone") && inside(e.tones > 1, "no tones")))
           && holds(&codes, e.entries, size, "codes") && inside(out.ndim == 2 || out.ndim == 3, "out is pixels or rows of them");
    if (fine) {
        const Py_ssize_t *shape = out.shape + out.ndim - 2, *strides = out.strides + out.ndim - 2;
        const idx rows = out.ndim == 3 ? out.shape[0] : 1, pitch = out.ndim == 3 ? out.strides[0] : 0;
        fine = inside(out.itemsize == size && shape[1] == e.channels && strides[1] == size && strides[0] == size * e.channels,
                      "pixels of out do not lie side by side")
               && inside(rows * shape[0] == n, "out is not as many pixels");
        if (fine) {
            e.matrix = or_none(&matrix), e.luminance = luminance.buf, e.tone = or_none(&tone), e.codes = codes.buf;
            Py_BEGIN_ALLOW_THREADS
            for (idx y = 0; y < rows; y++)
                encode((const float *)linear.buf + y * shape[0] * e.channels, shape[0], e, (char *)out.buf + y * pitch);
            Py_END_ALLOW_THREADS
        }
    }
    Py_buffer *all[] = {&linear, &matrix, &luminance, &tone, &codes, &out};
    for (size_t i = 0; i < sizeof all / sizeof *all; i++) PyBuffer_Release(all[i]);
    if (!fine) return NULL;
    Py_RETURN_NONE;
}

static PyObject *done(Py_buffer **all, size_t n, int fine)
{
    for (size_t i = 0; i < n; i++) PyBuffer_Release(all[i]);
    if (!fine) return NULL;
    Py_RETURN_NONE;
}
#define DONE(all, fine) done(all, sizeof all / sizeof *all, fine)

static PyObject *py_log_planes(PyObject *self, PyObject *args)
{
    Py_buffer light, out;
    idx n;
    float floor;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nfw*", &light, &n, &floor, &out)) return NULL;
    Py_buffer *all[] = {&light, &out};
    const int fine = inside(n >= 0 && floor > 1e-37f, "no logarithm of none") && holds(&light, 3 * n, 4, "light")
                     && holds(&out, 3 * n, 4, "out");
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        log_planes(light.buf, n, floor, out.buf);
        Py_END_ALLOW_THREADS
    }
    return DONE(all, fine);
}

static PyObject *py_light_of(PyObject *self, PyObject *args)
{
    Py_buffer log, out;
    idx n;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nw*", &log, &n, &out)) return NULL;
    Py_buffer *all[] = {&log, &out};
    const int fine = inside(n >= 0, "no light of none") && holds(&log, 3 * n, 4, "log") && holds(&out, 3 * n, 4, "out");
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        light_of(log.buf, n, out.buf);
        Py_END_ALLOW_THREADS
    }
    return DONE(all, fine);
}

static PyObject *py_even(PyObject *self, PyObject *args)
{
    Py_buffer plane, out;
    idx h, w;
    float limit, darkest;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nnffw*", &plane, &h, &w, &limit, &darkest, &out)) return NULL;
    Py_buffer *all[] = {&plane, &out};
    const int fine = inside(h > 4 && w > 4, "the plane is too small") && holds(&plane, h * w, 4, "plane") && holds(&out, h * w, 1, "out");
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        memset(out.buf, 0, h * w);
        for (idx y = 2; y < h - 2; y++)
            for (idx x = 2, n; x < w - 2; x += n) {
                n = x == 2 || x == w - 3 ? 1 : w - 6;
                const idx far[] = {y < 3 ? y : 3, h - 1 - y < 3 ? h - 1 - y : 3, x < 3 ? x : 3, w - x < 4 ? w - 1 - x : 3};
                even_row((const float *)plane.buf + y * w + x, w, n, far, limit, darkest, (uint8_t *)out.buf + y * w + x);
            }
        Py_END_ALLOW_THREADS
    }
    return DONE(all, fine);
}

static PyObject *py_fit_round(PyObject *self, PyObject *args)
{
    Py_buffer light, terms, surface, a, b;
    idx n, count = 0;
    double mean, tolerance;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*y*ny*ddw*w*", &light, &terms, &n, &surface, &mean, &tolerance, &a, &b)) return NULL;
    Py_buffer *all[] = {&light, &terms, &surface, &a, &b};
    const int fine = inside(n >= 0, "nothing to fit") && holds(&light, n, 4, "light") && holds(&terms, 6 * n, 8, "terms")
                     && holds(&surface, 6, 8, "surface") && holds(&a, 36, 8, "a") && holds(&b, 6, 8, "b");
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        count = fit_round(light.buf, terms.buf, NULL, n, surface.buf, mean, tolerance, a.buf, b.buf);
        Py_END_ALLOW_THREADS
    }
    PyObject *nothing = DONE(all, fine);
    Py_XDECREF(nothing);
    return nothing ? PyLong_FromSsize_t(count) : NULL;
}

static PyObject *py_brightest(PyObject *self, PyObject *args)
{
    Py_buffer tones, light, terms, reach, ridge, usual, out;
    idx n, rounds, count = 0;
    double need;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*y*y*ndy*ny*y*w*", &tones, &light, &terms, &n, &need, &reach, &rounds, &ridge, &usual, &out))
        return NULL;
    Py_buffer *all[] = {&tones, &light, &terms, &reach, &ridge, &usual, &out};
    int fine = inside(n > 0 && rounds > 0, "nothing to look at") && holds(&tones, 3 * n, 4, "tones") && holds(&light, n, 4, "light")
               && holds(&terms, 6 * n, 8, "terms") && holds(&reach, rounds, 8, "reach") && holds(&ridge, 6, 8, "ridge")
               && holds(&usual, 6, 8, "usual") && holds(&out, 10, 8, "out");
    double *some = fine ? PyMem_RawMalloc((size_t)n * (3 * sizeof *some + 2 * sizeof(int32_t))) : NULL;
    if (fine && !some) fine = PyErr_NoMemory() != NULL;
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        count = brightest(tones.buf, light.buf, terms.buf, n, need, reach.buf, rounds, ridge.buf, usual.buf, out.buf, some,
                          (int32_t *)(some + 3 * n));
        Py_END_ALLOW_THREADS
    }
    PyMem_RawFree(some);
    PyObject *nothing = DONE(all, fine);
    Py_XDECREF(nothing);
    return nothing ? PyLong_FromSsize_t(count) : NULL;
}

static PyObject *py_keep_darker(PyObject *self, PyObject *args)
{
    Py_buffer tones, light, terms, surface;
    idx n, count = 0;
    double mean, less;
    (void)self;
    if (!PyArg_ParseTuple(args, "w*w*w*ny*dd", &tones, &light, &terms, &n, &surface, &mean, &less)) return NULL;
    Py_buffer *all[] = {&tones, &light, &terms, &surface};
    const int fine = inside(n >= 0, "nothing to keep") && holds(&tones, 3 * n, 4, "tones") && holds(&light, n, 4, "light")
                     && holds(&terms, 6 * n, 8, "terms") && holds(&surface, 6, 8, "surface");
    if (fine) count = keep_darker(tones.buf, light.buf, terms.buf, n, surface.buf, mean, less);
    PyObject *nothing = DONE(all, fine);
    Py_XDECREF(nothing);
    return nothing ? PyLong_FromSsize_t(count) : NULL;
}

static PyObject *py_below(PyObject *self, PyObject *args)
{
    Py_buffer log, across, x, down, cross, base, density, low, high;
    idx h, w;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nny*y*y*y*y*w*w*w*", &log, &h, &w, &across, &x, &down, &cross, &base, &density, &low, &high))
        return NULL;
    Py_buffer *all[] = {&log, &across, &x, &down, &cross, &base, &density, &low, &high};
    const int fine = inside(h >= 0 && w >= 0, "no plane") && holds(&log, 3 * h * w, 4, "log") && holds(&across, w, 4, "across")
                     && holds(&x, w, 4, "x") && holds(&down, h, 4, "down") && holds(&cross, h, 4, "cross") && holds(&base, 3, 4, "base")
                     && holds(&density, h * w, 4, "density") && holds(&low, h * w, 4, "low") && holds(&high, h * w, 4, "high");
    if (fine) {
        const float *red = log.buf;
        Py_BEGIN_ALLOW_THREADS
        for (idx y = 0, at = 0; y < h; y++, at += w)
            below_row(red + at, red + h * w + at, red + 2 * h * w + at, w, across.buf, x.buf, ((const float *)down.buf)[y],
                      ((const float *)cross.buf)[y], base.buf, (float *)density.buf + at, (float *)low.buf + at,
                      (float *)high.buf + at);
        Py_END_ALLOW_THREADS
    }
    return DONE(all, fine);
}

static PyObject *py_kinds(PyObject *self, PyObject *args)
{
    Py_buffer log, density, low, high, black, out;
    idx h, w;
    float beyond, tolerance, near, bare;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*y*y*y*nnz*ffffw*", &log, &density, &low, &high, &h, &w, &black, &beyond, &tolerance, &near, &bare,
                          &out))
        return NULL;
    Py_buffer *all[] = {&log, &density, &low, &high, &black, &out};
    int fine = inside(h > 0 && w > 0, "no plane") && holds(&log, 3 * h * w, 4, "log") && holds(&density, h * w, 4, "density")
               && holds(&low, h * w, 4, "low") && holds(&high, h * w, 4, "high") && (!black.buf || holds(&black, 3, 4, "black"))
               && holds(&out, h * w, 1, "out");
    uint8_t *open = fine ? PyMem_RawMalloc((size_t)w) : NULL;
    if (fine && !open) fine = PyErr_NoMemory() != NULL;
    if (fine) {
        const float *red = log.buf;
        Py_BEGIN_ALLOW_THREADS
        outer(low.buf, h, w, beyond, out.buf, open);
        for (idx y = 0, at = 0; y < h; y++, at += w)
            kinds_row(red + at, red + h * w + at, red + 2 * h * w + at, (const float *)density.buf + at, (const float *)low.buf + at,
                      (const float *)high.buf + at, w, or_none(&black), tolerance, near, bare, (uint8_t *)out.buf + at);
        Py_END_ALLOW_THREADS
    }
    PyMem_RawFree(open);
    return DONE(all, fine);
}

static PyObject *py_enclosed(PyObject *self, PyObject *args)
{
    Py_buffer kinds, out;
    idx h, w;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nnw*", &kinds, &h, &w, &out)) return NULL;
    Py_buffer *all[] = {&kinds, &out};
    int fine = inside(h > 0 && w > 0 && h < INT_MAX && w < INT_MAX, "no plane") && holds(&kinds, h * w, 1, "kinds")
               && holds(&out, h * w, 1, "out");
    int32_t *ends = fine ? PyMem_RawMalloc((size_t)w * 2 * sizeof *ends) : NULL;
    if (fine && !ends) fine = PyErr_NoMemory() != NULL;
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        enclosed(kinds.buf, h, w, ends, ends + w, out.buf);
        Py_END_ALLOW_THREADS
    }
    PyMem_RawFree(ends);
    return DONE(all, fine);
}

static PyObject *py_edges(PyObject *self, PyObject *args)
{
    Py_buffer kinds, density, rebate, holder;
    idx h, w, sign, deep, soft;
    int axis;
    float more;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*y*nninfnnw*z*", &kinds, &density, &h, &w, &axis, &sign, &more, &deep, &soft, &rebate, &holder))
        return NULL;
    Py_buffer *all[] = {&kinds, &density, &rebate, &holder};
    const int fine = inside((axis ? w : h) >= 2 * ASIDE && h >= 0 && w >= 0 && (sign == 1 || sign == -1) && deep >= ASIDE && soft >= ASIDE,
                            "no edges in so small a plane")
                     && holds(&kinds, h * w, 1, "kinds") && holds(&density, h * w, 4, "density") && holds(&rebate, h * w, 4, "rebate")
                     && (!holder.buf || (inside(!holder.readonly, "holder cannot be written") && holds(&holder, h * w, 1, "holder")));
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        (axis ? edges_across : edges_down)(kinds.buf, density.buf, h, w, sign, more, rebate.buf, holder.buf, deep, soft);
        Py_END_ALLOW_THREADS
    }
    return DONE(all, fine);
}

static PyObject *py_line_up(PyObject *self, PyObject *args)
{
    Py_buffer along, across, value, slopes, out;
    idx n, m, room = 0;
    double *bins = NULL;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*y*y*ny*nw*", &along, &across, &value, &n, &slopes, &m, &out)) return NULL;
    Py_buffer *all[] = {&along, &across, &value, &slopes, &out};
    const double *a = along.buf, *b = across.buf, *slope = slopes.buf;
    int fine = inside(n > 0 && m >= 0, "no points") && holds(&along, n, 8, "along") && holds(&across, n, 8, "across")
               && holds(&value, n, 8, "value") && holds(&slopes, m, 8, "slopes") && holds(&out, m, 8, "out");
    for (idx k = 0; fine && k < m; k++) {
        double low = INFINITY, high = -INFINITY;
        int finite = 1;
        for (idx i = 0; i < n; i++) {
            const double at = b[i] - slope[k] * a[i];
            low = at < low ? at : low;
            high = at > high ? at : high;
            finite &= at - at == 0;
        }
        if (!(fine = inside(finite && high - low < 1e7, "the points lie too far apart"))) break;
        const idx size = (idx)(high - low + 1) + 1;
        if (size > room) {
            PyMem_RawFree(bins);
            bins = PyMem_RawMalloc((size_t)(room = size + 64) * sizeof *bins);
            if (!bins && !(fine = PyErr_NoMemory() != NULL)) break;
        }
        ((double *)out.buf)[k] = lined_up(a, b, value.buf, n, slope[k], low, bins, size);
    }
    PyMem_RawFree(bins);
    return DONE(all, fine);
}

static PyObject *py_turn(PyObject *self, PyObject *args)
{
    Py_buffer kinds, density, x0, y0, x1, y1, kind, to;
    idx h, w, rows, columns;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*y*nny*y*y*y*nnw*w*", &kinds, &density, &h, &w, &x0, &y0, &x1, &y1, &rows, &columns, &kind, &to))
        return NULL;
    Py_buffer *all[] = {&kinds, &density, &x0, &y0, &x1, &y1, &kind, &to};
    const int fine = inside(h > 0 && w > 0 && h < INT_MAX && w < INT_MAX && rows >= 0 && columns >= 0 && h <= INT_MAX / w, "no plane")
                     && holds(&kinds, h * w, 1, "kinds") && holds(&density, h * w, 4, "density") && holds(&x0, columns, 4, "x0")
                     && holds(&y0, columns, 4, "y0") && holds(&x1, rows, 4, "x1") && holds(&y1, rows, 4, "y1")
                     && holds(&kind, rows * columns, 1, "kind") && holds(&to, rows * columns, 4, "to");
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        for (idx y = 0; y < rows; y++)
            turn_row(kinds.buf, density.buf, h, w, x0.buf, y0.buf, ((const float *)x1.buf)[y], ((const float *)y1.buf)[y], columns,
                     (uint8_t *)kind.buf + y * columns, (float *)to.buf + y * columns);
        Py_END_ALLOW_THREADS
    }
    return DONE(all, fine);
}

static PyObject *py_crossings(PyObject *self, PyObject *args)
{
    Py_buffer profile, light, across, guess, at, rise;
    idx rows, n;
    double window;
    int wide;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*y*nny*y*dpw*w*", &profile, &light, &rows, &n, &across, &guess, &window, &wide, &at, &rise))
        return NULL;
    Py_buffer *all[] = {&profile, &light, &across, &guess, &at, &rise};
    const int fine = inside(rows >= 0 && n > 1, "no profiles") && holds(&profile, rows * n, 8, "profile") && holds(&light, rows * n, 8, "light")
                     && holds(&across, n, 8, "across") && holds(&guess, rows, 8, "guess") && holds(&at, rows, 8, "at")
                     && holds(&rise, rows, 8, "rise");
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        crossings(profile.buf, light.buf, rows, n, across.buf, guess.buf, window, wide, at.buf, rise.buf);
        Py_END_ALLOW_THREADS
    }
    return DONE(all, fine);
}

static PyObject *py_counts(PyObject *self, PyObject *args)
{
    Py_buffer plane, rows, columns;
    idx h, w;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nnw*w*", &plane, &h, &w, &rows, &columns)) return NULL;
    Py_buffer *all[] = {&plane, &rows, &columns};
    const int fine = inside(h >= 0 && w >= 0, "no plane") && holds(&plane, h * w, 1, "plane") && holds(&rows, h, 8, "rows")
                     && holds(&columns, w, 4, "columns");
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        counts(plane.buf, h, w, rows.buf, columns.buf);
        Py_END_ALLOW_THREADS
    }
    return DONE(all, fine);
}

static PyObject *py_gate(PyObject *self, PyObject *args)
{
    Py_buffer kinds, out;
    idx h, w, sign, deep;
    int axis;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nninnw*", &kinds, &h, &w, &axis, &sign, &deep, &out)) return NULL;
    Py_buffer *all[] = {&kinds, &out};
    const int fine = inside((axis ? w : h) >= 2 * ASIDE && h >= 0 && w >= 0 && (sign == 1 || sign == -1) && deep >= ASIDE,
                            "no edges in so small a plane")
                     && holds(&kinds, h * w, 1, "kinds") && holds(&out, axis ? w : h, 4, "out");
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        memset(out.buf, 0, (axis ? w : h) * 4);
        (axis ? gate_across : gate_down)(kinds.buf, h, w, sign, deep, out.buf);
        Py_END_ALLOW_THREADS
    }
    return DONE(all, fine);
}

static PyObject *py_area_sums(PyObject *self, PyObject *args)
{
    Py_buffer kinds, weights, out;
    idx h, w;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nny*w*", &kinds, &h, &w, &weights, &out)) return NULL;
    Py_buffer *all[] = {&kinds, &weights, &out};
    const uint8_t *kind = kinds.buf;
    int fine = inside(h >= 0 && w >= 0, "no plane") && holds(&kinds, h * w, 1, "kinds") && holds(&weights, 5, 8, "weights")
               && holds(&out, ((h + 1) / 2 + 1) * ((w + 1) / 2 + 1), 8, "out");
    uint8_t most_kind = 0;
    for (idx i = 0; fine && i < h * w; i++) most_kind = kind[i] > most_kind ? kind[i] : most_kind;
    fine = fine && inside(most_kind <= DARK_, "there is no such kind");
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        area_sums(kinds.buf, h, w, weights.buf, out.buf);
        Py_END_ALLOW_THREADS
    }
    return DONE(all, fine);
}

static PyObject *py_sum_down(PyObject *self, PyObject *args)
{
    Py_buffer plane, out;
    idx h, w;
    int across;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nnpw*", &plane, &h, &w, &across, &out)) return NULL;
    Py_buffer *all[] = {&plane, &out};
    const idx rows = ((across ? w : h) + 1) / 2, columns = ((across ? h : w) + 1) / 2;
    const int fine = inside(h >= 0 && w >= 0, "no plane") && holds(&plane, h * w, 1, "plane") && holds(&out, (rows + 1) * columns, 4, "out");
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        sum_down(plane.buf, h, w, across, out.buf);
        Py_END_ALLOW_THREADS
    }
    return DONE(all, fine);
}

static PyObject *py_sum_along(PyObject *self, PyObject *args)
{
    Py_buffer plane, out;
    idx h, w;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nnw*", &plane, &h, &w, &out)) return NULL;
    Py_buffer *all[] = {&plane, &out};
    const int fine = inside(h >= 0 && w >= 0, "no plane") && holds(&plane, h * w, 4, "plane") && holds(&out, (h + 1) * (w + 1), 4, "out");
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        sum_along(plane.buf, h, w, out.buf);
        Py_END_ALLOW_THREADS
    }
    return DONE(all, fine);
}

static PyObject *py_content(PyObject *self, PyObject *args)
{
    Py_buffer kinds, out;
    idx h, w, by;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nnnw*", &kinds, &h, &w, &by, &out)) return NULL;
    Py_buffer *all[] = {&kinds, &out};
    int fine = inside(h > 0 && w > 0 && by >= 0, "no plane") && holds(&kinds, h * w, 1, "kinds") && holds(&out, h * w, 1, "out");
    uint8_t *work = fine ? PyMem_RawMalloc((size_t)(w + 2 * by + h * w)) : NULL;
    if (fine && !work) fine = PyErr_NoMemory() != NULL;
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        content(kinds.buf, h, w, by, work, work + w + 2 * by, out.buf);
        Py_END_ALLOW_THREADS
    }
    PyMem_RawFree(work);
    return DONE(all, fine);
}

static PyObject *py_outside(PyObject *self, PyObject *args)
{
    Py_buffer plane, before, after;
    idx h, w;
    int axis;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nniw*w*", &plane, &h, &w, &axis, &before, &after)) return NULL;
    Py_buffer *all[] = {&plane, &before, &after};
    const int fine = inside(h > 0 && w > 0, "no plane") && holds(&plane, h * w, 1, "plane") && holds(&before, h * w, 4, "before")
                     && holds(&after, h * w, 4, "after");
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        (axis ? outside_along : outside)(plane.buf, h, w, before.buf, after.buf);
        Py_END_ALLOW_THREADS
    }
    return DONE(all, fine);
}

static PyObject *py_faded(PyObject *self, PyObject *args)
{
    Py_buffer edges, over, table, out;
    idx n, entries;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*ny*y*nw*", &edges, &n, &over, &table, &entries, &out)) return NULL;
    Py_buffer *all[] = {&edges, &over, &table, &out};
    const int fine = inside(n >= 0 && entries > 0, "no plane") && holds(&edges, n, 4, "edges") && holds(&over, n, 4, "over")
                     && holds(&table, entries, 4, "table") && holds(&out, n, 4, "out");
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        faded(edges.buf, n, over.buf, table.buf, entries, out.buf);
        Py_END_ALLOW_THREADS
    }
    return DONE(all, fine);
}

static PyObject *py_near_within(PyObject *self, PyObject *args)
{
    Py_buffer plane, out;
    idx h, w, low, high, sign, reach;
    int axis;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nnnninnw*", &plane, &h, &w, &low, &high, &axis, &sign, &reach, &out)) return NULL;
    Py_buffer *all[] = {&plane, &out};
    int fine = inside(h > 0 && w > 0 && low >= 0 && low <= high && high <= (axis ? w : h) && (sign == 1 || sign == -1) && reach > 0
                      && reach <= (axis ? h : w), "the rectangle leaves the plane")
               && holds(&plane, h * w, 1, "plane") && holds(&out, axis ? h : w, 4, "out");
    uint8_t *some = fine ? PyMem_RawMalloc((size_t)(2 * w + 2 * reach)) : NULL;
    if (fine && !some) fine = PyErr_NoMemory() != NULL;
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        near_within(plane.buf, h, w, low, high, axis, sign, reach, some, out.buf);
        Py_END_ALLOW_THREADS
    }
    PyMem_RawFree(some);
    return DONE(all, fine);
}

static PyObject *py_best_comb(PyObject *self, PyObject *args)
{
    Py_buffer enter, leave, filled;
    comb c;
    double best = 0.0, ends = 0.0, gaps = 0.0;
    idx found = -1;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*y*y*nnnnndddd", &enter, &leave, &filled, &c.n, &c.wide, &c.gap, &c.first, &c.last, &c.high, &c.filling,
                          &c.gapped, &c.inside))
        return NULL;
    Py_buffer *all[] = {&enter, &leave, &filled};
    const int fine = inside(c.wide > 0 && c.gap >= 0 && c.first >= 0 && c.last < c.n - 1, "the strip leaves the view")
                     && holds(&enter, c.n - 1, 8, "enter") && holds(&leave, c.n - 1, 8, "leave") && holds(&filled, c.n, 8, "filled");
    if (fine) {
        c.enter = enter.buf, c.leave = leave.buf, c.filled = filled.buf;
        found = best_comb(c, &best, &ends, &gaps);
    }
    PyObject *nothing = DONE(all, fine);
    if (!nothing || found < 0) return nothing;
    Py_DECREF(nothing);
    return Py_BuildValue("(dndd)", best, found, ends, gaps);
}

static PyObject *py_tally(PyObject *self, PyObject *args)
{
    Py_buffer kinds, out;
    idx h, w, top, bottom, left, right;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nnnnnnw*", &kinds, &h, &w, &top, &bottom, &left, &right, &out)) return NULL;
    Py_buffer *all[] = {&kinds, &out};
    const int fine = inside(top >= 0 && left >= 0 && bottom <= h && right <= w, "the rectangle leaves the plane")
                     && holds(&kinds, h * w, 1, "kinds") && holds(&out, 5, 8, "out");
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        tally(kinds.buf, w, top, bottom, left, right, out.buf);
        Py_END_ALLOW_THREADS
    }
    return DONE(all, fine);
}

static PyObject *py_boxes(PyObject *self, PyObject *args)
{
    Py_buffer plane, out;
    idx h, w, least_, found = 0;
    double longest;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nnndw*", &plane, &h, &w, &least_, &longest, &out)) return NULL;
    Py_buffer *all[] = {&plane, &out};
    /* What is longer than that has so many pixels, at least. */
    int fine = inside(h > 0 && w > 0 && h < INT_MAX / w && least_ >= 0, "no plane") && holds(&plane, h * w, 1, "plane")
               && holds(&out, 4 * (h * w / (least_ + 1) + 1), 4, "out");
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        found = boxes(plane.buf, h, w, least_, longest, out.buf);
        Py_END_ALLOW_THREADS
        if (found < 0) fine = PyErr_NoMemory() != NULL;
    }
    PyObject *nothing = DONE(all, fine);
    if (!nothing) return NULL;
    Py_DECREF(nothing);
    return PyLong_FromSsize_t(found);
}

static PyObject *py_mates(PyObject *self, PyObject *args)
{
    Py_buffer top, bottom, wide, out;
    idx n, least_;
    double longer;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*y*y*nndw*", &top, &bottom, &wide, &n, &least_, &longer, &out)) return NULL;
    Py_buffer *all[] = {&top, &bottom, &wide, &out};
    const int fine = inside(n >= 0, "no boxes") && holds(&top, n, 8, "top") && holds(&bottom, n, 8, "bottom") && holds(&wide, n, 8, "wide")
                     && holds(&out, n, 1, "out");
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        mates(top.buf, bottom.buf, wide.buf, n, least_, longer, out.buf);
        Py_END_ALLOW_THREADS
    }
    return DONE(all, fine);
}

static PyObject *py_edges_within(PyObject *self, PyObject *args)
{
    Py_buffer plane, out;
    idx h, w, low, high;
    int axis;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nnnniw*", &plane, &h, &w, &low, &high, &axis, &out)) return NULL;
    Py_buffer *all[] = {&plane, &out};
    const int fine = inside(h > 0 && w > 0 && low >= 0 && low <= high && high <= (axis ? w : h), "the rectangle leaves the plane")
                     && holds(&plane, h * w, 4, "plane") && holds(&out, axis ? h : w, 4, "out");
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        edges_within(plane.buf, h, w, low, high, axis, out.buf);
        Py_END_ALLOW_THREADS
    }
    return DONE(all, fine);
}

static PyObject *py_tallies(PyObject *self, PyObject *args)
{
    Py_buffer kinds, out;
    idx h, w, low, high;
    int axis;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nnnniw*", &kinds, &h, &w, &low, &high, &axis, &out)) return NULL;
    Py_buffer *all[] = {&kinds, &out};
    const int fine = inside(h > 0 && w > 0 && low >= 0 && low <= high && high <= (axis ? w : h), "the rectangle leaves the plane")
                     && holds(&kinds, h * w, 1, "kinds") && holds(&out, 5 * (axis ? h : w), 4, "out");
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        tallies(kinds.buf, h, w, low, high, axis, out.buf);
        Py_END_ALLOW_THREADS
    }
    return DONE(all, fine);
}

static PyObject *py_brighter(PyObject *self, PyObject *args)
{
    Py_buffer log, level, out;
    idx n;
    int every;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*ny*iw*", &log, &n, &level, &every, &out)) return NULL;
    Py_buffer *all[] = {&log, &level, &out};
    const int fine = inside(n >= 0, "no plane") && holds(&log, 3 * n, 4, "log") && holds(&level, 3, 4, "level") && holds(&out, n, 1, "out");
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        brighter(log.buf, n, level.buf, every, out.buf);
        Py_END_ALLOW_THREADS
    }
    return DONE(all, fine);
}

static PyObject *py_evened(PyObject *self, PyObject *args)
{
    Py_buffer plane, close, out;
    idx h, w;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*y*nnw*", &plane, &close, &h, &w, &out)) return NULL;
    Py_buffer *all[] = {&plane, &close, &out};
    int fine = inside(h > 0 && w > 0, "no plane") && holds(&plane, h * w, 4, "plane") && holds(&close, h * w, 1, "close")
               && holds(&out, h * w, 4, "out");
    float *sums = fine ? PyMem_RawMalloc((size_t)(2 * w + 4) * sizeof *sums) : NULL;
    if (fine && !sums) fine = PyErr_NoMemory() != NULL;
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        evened(plane.buf, close.buf, h, w, sums, out.buf);
        Py_END_ALLOW_THREADS
    }
    PyMem_RawFree(sums);
    return DONE(all, fine);
}

/* Planes of log light over a tone's surface, row by row: stretched, or told from each other where `mean` is given. */
static PyObject *py_over_tone(PyObject *self, PyObject *args)
{
    Py_buffer log, across, x, down, cross, base, out, mean;
    idx h, w;
    float a, b, c;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nny*y*y*y*y*fffw*z*", &log, &h, &w, &across, &x, &down, &cross, &base, &a, &b, &c, &out, &mean)) return NULL;
    Py_buffer *all[] = {&log, &across, &x, &down, &cross, &base, &out, &mean};
    const int fine = inside(h >= 0 && w >= 0, "no plane") && holds(&log, 3 * h * w, 4, "log") && holds(&across, w, 4, "across") && holds(&x, w, 4, "x")
                     && holds(&down, h, 4, "down") && holds(&cross, h, 4, "cross") && holds(&base, 3, 4, "base")
                     && holds(&out, 3 * h * w, 4, "out")
                     && (!mean.buf || (inside(!mean.readonly, "mean cannot be written") && holds(&mean, h * w, 4, "mean")));
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        for (idx y = 0; y < h; y++) {
            const float *from[3];
            float *to[3];
            for (int k = 0; k < 3; k++) from[k] = (float *)log.buf + (k * h + y) * w, to[k] = (float *)out.buf + (k * h + y) * w;
            if (mean.buf)
                tell_row(from, w, across.buf, x.buf, ((float *)down.buf)[y], ((float *)cross.buf)[y], base.buf, a, b, to, (float *)mean.buf + y * w);
            else
                stretch_row(from, w, across.buf, x.buf, ((float *)down.buf)[y], ((float *)cross.buf)[y], base.buf, a, b, c, to);
        }
        Py_END_ALLOW_THREADS
    }
    return DONE(all, fine);
}

static PyObject *py_line_sums(PyObject *self, PyObject *args)
{
    Py_buffer kinds, rebate, holder, at, what, edge, beyond;
    idx h, w, sign, letters, n;
    int axis;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*y*y*nninny*y*nw*w*", &kinds, &rebate, &holder, &h, &w, &axis, &sign, &letters, &at, &what, &n, &edge, &beyond))
        return NULL;
    Py_buffer *all[] = {&kinds, &rebate, &holder, &at, &what, &edge, &beyond};
    const idx length = axis ? h : w, *place = at.buf, *kind = what.buf;
    int fine = inside(h > 0 && w > 0 && n >= 0 && letters >= 0 && (sign == 1 || sign == -1), "no plane") && holds(&kinds, h * w, 1, "kinds")
               && holds(&rebate, h * w, 4, "rebate") && holds(&holder, h * w, 1, "holder") && holds(&at, n, sizeof(idx), "at")
               && holds(&what, n, sizeof(idx), "what") && holds(&edge, n * (length + 1), 8, "edge") && holds(&beyond, n * (length + 1), 8, "beyond");
    for (idx i = 0; fine && i < n; i++) fine = inside(place[i] >= 0 && place[i] < (axis ? w : h), "a line leaves the plane");
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        for (idx i = 0; i < n; i++)
            line_sums(kinds.buf, rebate.buf, holder.buf, h, w, axis, sign, place[i], kind[i], letters, (double *)edge.buf + i * (length + 1),
                      (double *)beyond.buf + i * (length + 1));
        Py_END_ALLOW_THREADS
    }
    return DONE(all, fine);
}

static PyObject *py_fit_line(PyObject *self, PyObject *args)
{
    Py_buffer s, at, weight;
    idx n;
    int early;
    double settled, scatter = 0.0, line[3];
    (void)self;
    if (!PyArg_ParseTuple(args, "y*y*y*npdddd", &s, &at, &weight, &n, &early, &settled, line, line + 1, line + 2)) return NULL;
    Py_buffer *all[] = {&s, &at, &weight};
    int fine = inside(n > 0, "no places") && holds(&s, n, 8, "s") && holds(&at, n, 8, "at") && holds(&weight, n, 8, "weight");
    weighted *off = fine ? PyMem_RawMalloc((size_t)n * sizeof *off) : NULL;
    if (fine && !off) fine = PyErr_NoMemory() != NULL;
    if (fine) scatter = fit_line(s.buf, at.buf, weight.buf, n, early, settled, line, off);
    PyMem_RawFree(off);
    PyObject *nothing = DONE(all, fine);
    if (!nothing) return NULL;
    Py_DECREF(nothing);
    return Py_BuildValue("((ddd)d)", line[0], line[1], line[2], scatter);
}

static PyObject *py_logs_at(PyObject *self, PyObject *args)
{
    Py_buffer light, x, y, out;
    idx h, w, n;
    float floor;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nny*y*nfw*", &light, &h, &w, &x, &y, &n, &floor, &out)) return NULL;
    Py_buffer *all[] = {&light, &x, &y, &out};
    const int fine = inside(h > 1 && w > 1 && n >= 0 && floor > 1e-37f, "the view is too small") && holds(&light, 3 * h * w, 4, "light")
                     && holds(&x, n, 8, "x") && holds(&y, n, 8, "y") && holds(&out, n, 4, "out");
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        logs_at(light.buf, h, w, x.buf, y.buf, n, floor, out.buf);
        Py_END_ALLOW_THREADS
    }
    return DONE(all, fine);
}

static PyObject *py_keep_memory(PyObject *self, PyObject *nothing)
{
    (void)self, (void)nothing;
#if defined(__GLIBC__)
    mallopt(M_ARENA_MAX, 1);
    mallopt(M_MMAP_MAX, 0);
    mallopt(M_TRIM_THRESHOLD, INT_MAX);
#endif
    Py_RETURN_NONE;
}

static PyMethodDef methods[] = {
    {"halve", py_halve, METH_VARARGS, "halve(mosaic, pitch, top, left, rows, columns, place, black, white, out)"},
    {"block_mean", py_block_mean, METH_VARARGS, "block_mean(samples, wide, width, channels, k, rows, columns, scale, out)"},
    {"light", py_light, METH_VARARGS, 
     "light(samples, wide, width, left, n, count, field, fields, stride, x0, low, share, scale, out)"},
#if HAVE_PREAD
    {"read_window", py_read_window, METH_VARARGS, "read_window(file, at, pitch, n, count, out) -> whether the file goes so far"},
    {"file_means", py_file_means, METH_VARARGS,
     "file_means(file, at, height, width, channels, k, table, scale, ceiling, every, out, full) -> whether the file goes so far"},
#endif
    {"look_up", py_look_up, METH_VARARGS, "look_up(codes, n, table, out)"},
    {"shift_rows", py_shift_rows, METH_VARARGS, "shift_rows(rows, n, width, channels, low, weights, out, wide)"},
    {"shift_columns", py_shift_columns, METH_VARARGS, 
     "shift_columns(ring, lines, stride, y, n, starts, lows, runs, weights, out)"},
    {"develop", py_develop, METH_VARARGS,
     "develop(light, n, channels, before, held, unmix, weights, tables, entries, after, bias, tiny, zero, last, out, density)"},
    {"encode", py_encode, METH_VARARGS, "encode(linear, n, channels, matrix, luminance, tone, tones, top, codes, entries, bits, out)"},
    {"log_planes", py_log_planes, METH_VARARGS, "log_planes(light, n, floor, out)"},
    {"light_of", py_light_of, METH_VARARGS, "light_of(log, n, out)"},
    {"even", py_even, METH_VARARGS, "even(plane, h, w, limit, darkest, out)"},
    {"fit_round", py_fit_round, METH_VARARGS, "fit_round(light, terms, n, surface, mean, tolerance, a, b) -> count"},
    {"brightest", py_brightest, METH_VARARGS,
     "brightest(tones, light, terms, n, need, reach, rounds, ridge, usual, out) -> how many pixels, or -1"},
    {"keep_darker", py_keep_darker, METH_VARARGS, "keep_darker(tones, light, terms, n, surface, mean, less) -> how many"},
    {"below", py_below, METH_VARARGS, "below(log, h, w, across, x, down, cross, base, density, low, high)"},
    {"kinds", py_kinds, METH_VARARGS, "kinds(log, density, low, high, h, w, black, beyond, tolerance, near, bare, out)"},
    {"enclosed", py_enclosed, METH_VARARGS, "enclosed(kinds, h, w, out)"},
    {"edges", py_edges, METH_VARARGS, "edges(kinds, density, h, w, axis, sign, more, deep, soft, rebate, holder)"},
    {"line_up", py_line_up, METH_VARARGS, "line_up(along, across, value, n, slopes, m, out)"},
    {"turn", py_turn, METH_VARARGS, "turn(kinds, density, h, w, x0, y0, x1, y1, rows, columns, kind, to)"},
    {"crossings", py_crossings, METH_VARARGS, "crossings(profile, light, rows, n, across, guess, window, wide, at, rise)"},
    {"counts", py_counts, METH_VARARGS, "counts(plane, h, w, rows, columns)"},
    {"gate", py_gate, METH_VARARGS, "gate(kinds, h, w, axis, sign, deep, out)"},
    {"area_sums", py_area_sums, METH_VARARGS, "area_sums(kinds, h, w, weights, out)"},
    {"sum_down", py_sum_down, METH_VARARGS, "sum_down(plane, h, w, across, out)"},
    {"sum_along", py_sum_along, METH_VARARGS, "sum_along(plane, h, w, out)"},
    {"content", py_content, METH_VARARGS, "content(kinds, h, w, by, out)"},
    {"outside", py_outside, METH_VARARGS, "outside(plane, h, w, axis, before, after)"},
    {"faded", py_faded, METH_VARARGS, "faded(edges, n, over, table, entries, out)"},
    {"near_within", py_near_within, METH_VARARGS, "near_within(plane, h, w, low, high, axis, sign, reach, out)"},
    {"best_comb", py_best_comb, METH_VARARGS,
     "best_comb(enter, leave, filled, n, wide, gap, first, last, high, filling, gapped, inside) -> (value, start, ends, gaps) or None"},
    {"tally", py_tally, METH_VARARGS, "tally(kinds, h, w, top, bottom, left, right, out)"},
    {"boxes", py_boxes, METH_VARARGS, "boxes(plane, h, w, least, longest, out) -> how many"},
    {"mates", py_mates, METH_VARARGS, "mates(top, bottom, wide, n, least, longer, out)"},
    {"edges_within", py_edges_within, METH_VARARGS, "edges_within(plane, h, w, low, high, axis, out)"},
    {"tallies", py_tallies, METH_VARARGS, "tallies(kinds, h, w, low, high, axis, out)"},
    {"brighter", py_brighter, METH_VARARGS, "brighter(log, n, level, every, out)"},
    {"evened", py_evened, METH_VARARGS, "evened(plane, close, h, w, out)"},
    {"over_tone", py_over_tone, METH_VARARGS,
     "over_tone(log, h, w, across, x, down, cross, base, within, gain, kept, out, None), or (... gain, far, 0, out, mean)"},
    {"line_sums", py_line_sums, METH_VARARGS,
     "line_sums(kinds, rebate, holder, h, w, axis, sign, letters, at, what, n, edge, beyond)"},
    {"fit_line", py_fit_line, METH_VARARGS,
     "fit_line(s, at, weight, n, early, settled, offset, slope, bend) -> ((offset, slope, bend), scatter)"},
    {"logs_at", py_logs_at, METH_VARARGS, "logs_at(light, h, w, x, y, n, floor, out)"},
    {"keep_memory", py_keep_memory, METH_NOARGS, "keep_memory()"},
    {NULL, NULL, 0, NULL}};

static struct PyModuleDef module = {PyModuleDef_HEAD_INIT, "_kernel", "Inner loops of the fused pass.", -1, methods,
                                    NULL, NULL, NULL, NULL};

PyMODINIT_FUNC PyInit__kernel(void) { return PyModule_Create(&module); }
