/* The inner loops of finding spots, over pixels that stand out and over what was measured of them.

   Each function does what a few numpy operations in the module named above it do, to the rounding of sums; that module falls
   back on numpy where this file was not compiled, and tests/test_spots.py holds the two together. Every length and every index is
   checked before a loop runs; none of them holds the interpreter's lock. */

#define PY_SSIZE_T_CLEAN
#include <Python.h>
#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>
#include "../_loops.h"

/* Vectors are to lie along what is within this loop: across its turns the compiler has to take them apart again. */
#if defined(__GNUC__)
#define IN_TURN(i) __asm__("" : "+r"(i))
#else
#define IN_TURN(i) (void)0
#endif

#if defined(__GNUC__)
#define FETCH(p) __builtin_prefetch(p)
#else
#define FETCH(p) (void)(p)
#endif

#define BLOCK 512 /* columns worked on at a time: with their rows they stay in the second cache */

/* candidates.top_hat, a block of a strip. `a` has room for (rows + 2 pad) x (columns + 2 pad), pad = side - 1; the extreme of
   `side` entries from each on is found by doubling, in place, since it only looks ahead. */
WIDEST static void slide(int16_t *a, idx rows, idx columns, idx pitch, idx side, int up)
{
    for (idx reach = 1, step; reach < side; reach += step) {
        step = reach < side - reach ? reach : side - reach;
        for (idx y = 0; y + step < rows; y++) {
            int16_t *p = a + y * pitch, *q = p + step * pitch;
            if (up) for (idx x = 0; x < columns; x++) p[x] = p[x] > q[x] ? p[x] : q[x];
            else for (idx x = 0; x < columns; x++) p[x] = p[x] < q[x] ? p[x] : q[x];
        }
    }
    for (idx reach = 1, step; reach < side; reach += step) {
        step = reach < side - reach ? reach : side - reach;
        for (idx y = 0; y < rows; y++) {
            int16_t *p = a + y * pitch, *q = p + step;
            if (up) for (idx x = 0; x + step < columns; x++) p[x] = p[x] > q[x] ? p[x] : q[x];
            else for (idx x = 0; x + step < columns; x++) p[x] = p[x] < q[x] ? p[x] : q[x];
        }
    }
}

WIDEST static void top_hat(const int16_t *plane, idx h, idx w, int sign, idx side, idx y0, idx y1, idx x0, idx x1, int16_t *a,
                           int16_t *out)
{
    const idx half = side / 2, pad = side - 1, rows = y1 - y0, columns = x1 - x0, pitch = columns + 2 * pad;
    for (idx i = 0; i < rows + 2 * pad; i++) {
        const idx y = y0 - pad + i, from = within(pad - x0, 0, pitch), to = within(w - x0 + pad, 0, pitch);
        int16_t *p = a + i * pitch;
        if (y < 0 || y >= h) for (idx j = 0; j < pitch; j++) p[j] = INT16_MAX;
        else {
            for (idx j = 0; j < from; j++) p[j] = INT16_MAX;
            const int16_t *q = plane + y * w + x0 - pad;
            if (sign > 0) memcpy(p + from, q + from, (size_t)(to - from) * 2);
            else for (idx j = from; j < to; j++) p[j] = (int16_t)-q[j];
            for (idx j = to; j < pitch; j++) p[j] = INT16_MAX;
        }
    }
    slide(a, rows + 2 * pad, pitch, pitch, side, 0);
    /* a[i][j] now is the erosion at row y0 - half + i, column x0 - half + j; beyond the picture there is none. */
    for (idx i = 0; i < rows + pad; i++) {
        const idx y = y0 - half + i, from = within(half - x0, 0, columns + pad), to = within(w - x0 + half, 0,
            columns + pad);
        int16_t *p = a + i * pitch;
        const int none = y < 0 || y >= h;
        for (idx j = 0; j < (none ? columns + pad : from); j++) p[j] = INT16_MIN;
        for (idx j = to; j < columns + pad; j++) p[j] = INT16_MIN;
    }
    slide(a, rows + pad, columns + pad, pitch, side, 1);
    for (idx i = 0; i < rows; i++) {
        const int16_t *p = plane + (y0 + i) * w + x0, *q = a + i * pitch;
        int16_t *o = out + i * w + x0;
        if (sign > 0) for (idx j = 0; j < columns; j++) o[j] = (int16_t)(p[j] - q[j]);
        else for (idx j = 0; j < columns; j++) o[j] = (int16_t)(-p[j] - q[j]);
    }
}

/* The greatest value in each tile of a row of tiles. */
WIDEST static void tops(const int16_t *plane, idx w, idx y0, idx y1, idx tile, idx columns, int16_t *row, int16_t *out)
{
    memcpy(row, plane + y0 * w, (size_t)w * 2);
    for (idx y = y0 + 1; y < y1; y++) {
        const int16_t *p = plane + y * w;
        for (idx x = 0; x < w; x++) row[x] = row[x] > p[x] ? row[x] : p[x];
    }
    for (idx c = 0; c < columns; c++) {
        const idx end = c == columns - 1 ? w : (c + 1) * tile;
        int16_t best = INT16_MIN;
        for (idx x = c * tile; x < end; x++) best = best > row[x] ? best : row[x];
        out[c] = best;
    }
}

/* candidates.around: quantiles of the `n` values at `offsets` from each place; `padded` is so much wider that all
   exist. Batcher's merge exchange (Knuth, The Art of Computer Programming 3, 5.2.2, algorithm M) sorts a row of
   places at once, since what is compared does not depend on the values. */
WIDEST static void exchange(int16_t *a, int16_t *b, idx n)
{
    for (idx x = 0; x < n; x++) {
        const int16_t p = a[x], q = b[x];
        a[x] = p < q ? p : q;
        b[x] = p < q ? q : p;
    }
}

static void quantiles(const int16_t *padded, idx pitch, idx h, idx w, const int64_t *offsets, idx n,
                      const int64_t *take, idx taken, int16_t *room, float *out)
{
    idx top = 1;
    while (2 * top < n) top *= 2;
    for (idx y = 0; y < h; y++)
        for (idx x = 0; x < w; x += BLOCK) {
            const idx columns = x + BLOCK < w ? BLOCK : w - x;
            for (idx i = 0; i < n; i++)
                memcpy(room + i * BLOCK, padded + y * pitch + x + offsets[i], (size_t)columns * 2);
            for (idx p = n > 1 ? top : 0; p; p /= 2)
                for (idx q = top, r = 0, d = p;; d = q - p, q /= 2, r = p) {
                    for (idx i = 0; i + d < n; i++)
                        if ((i & p) == r) exchange(room + i * BLOCK, room + (i + d) * BLOCK, columns);
                    if (q == p) break;
                }
            for (idx k = 0; k < taken; k++)
                for (idx i = 0; i < columns; i++) out[(k * h + y) * w + x + i] = room[take[k] * BLOCK + i];
        }
}

/* noise.film_plane, of a density. */
WIDEST static void in_steps(const float *density, idx n, float scale, float low, float high, int16_t *out)
{
    for (idx i = 0; i < n; i++) {
        float v = density[i] * scale;
        v = v != v ? 0 : v;
        v = v < low ? low : v > high ? high : v;
        out[i] = (int16_t)rintf(v);
    }
}

/* noise.halved, some rows. */
WIDEST static void halve(const int16_t *plane, idx width, idx w, idx y0, idx y1, int sign, int16_t *out)
{
    for (idx y = y0; y < y1; y++) {
        const int16_t *p = plane + 2 * y * width, *q = p + width;
        int16_t *o = out + y * w;
        for (idx x = 0; x < w; x++) o[x] = (int16_t)((sign * (p[2 * x] + q[2 * x] + p[2 * x + 1] + q[2 * x + 1])) >> 2);
    }
}

/* noise.turned, square by square. */
static void turned(const int16_t *plane, idx h, idx w, int16_t *out)
{
    enum { SQUARE = 32 };
    for (idx y0 = 0; y0 < h; y0 += SQUARE)
        for (idx x0 = 0; x0 < w; x0 += SQUARE)
            for (idx x = x0; x < w && x < x0 + SQUARE; x++)
                for (idx y = y0; y < h && y < y0 + SQUARE; y++) out[x * h + y] = plane[y * w + x];
}

/* noise.tile_stats, a row of tiles: sums over every other row of the density and of the size of its second
   differences. */
WIDEST static void tile_sums(const int16_t *plane, idx w, idx y0, idx y1, idx tile, idx columns, int32_t *line,
                             int64_t *mean, int64_t *rough)
{
    const idx n = columns * tile < w ? columns * tile : w;
    int32_t *m = line, *r = line + n;
    memset(line, 0, (size_t)(2 * n) * 4);
    for (idx y = y0; y < y1; y += 2) {
        const int16_t *p = plane + y * w;
        for (idx x = 0; x < n; x++) m[x] += p[x];
        for (idx x = 2; x + 2 < n; x++) {
            const int step = p[x] - ((p[x - 2] + p[x + 2]) >> 1);
            r[x] += step < 0 ? -step : step;
        }
    }
    for (idx c = 0; c < columns; c++) {
        mean[c] = rough[c] = 0;
        for (idx x = c * tile; x < n && x < (c + 1) * tile; x++) mean[c] += m[x], rough[c] += r[x];
    }
}

/* candidates.above, a row of tiles: how many pixels exceed the threshold of their tile; they themselves while there is
   room. Most tiles have no peak so high. */
WIDEST static idx over(const int16_t *height, idx w, idx y0, idx y1, idx tile, idx columns, const int16_t *peaks,
                       const int16_t *limit, const float *threshold, idx room, int32_t *index, float *value, float *at)
{
    idx n = 0;
    for (idx y = y0; y < y1; y++)
        for (idx c = 0; c < columns; c++) {
            if (peaks[c] <= limit[c]) continue;
            const idx x0 = c * tile, x1 = c == columns - 1 ? w : x0 + tile;
            const int16_t *p = height + y * w, least = limit[c];
            int32_t found = 0;
            for (idx x = x0; x < x1; x++) found += p[x] > least;
            if (n + found > room) n += found;
            else for (idx x = x0; found && x < x1; x++)
                if (p[x] > least) {
                    index[n] = (int32_t)(y * w + x);
                    value[n] = p[x];
                    at[n++] = threshold[c];
                    found--;
                }
        }
    return n;
}

/* lines.steps_down, a row. */
WIDEST static void down(const int16_t *p, idx w, idx beside, int16_t lowest, int16_t *out)
{
    for (idx x = 0; x < beside; x++) out[x] = out[w - 1 - x] = lowest;
    for (idx x = beside; x < w - beside; x++) {
        const int16_t a = p[x - beside], b = p[x + beside];
        out[x] = (int16_t)((a < b ? a : b) - p[x]);
    }
}

/* lines.evened, a row of tiles of steps down: their mean, and the mean size of what they differ from it. */
WIDEST static void usual(const int16_t *plane, idx w, idx y0, idx y1, idx tile, idx columns, idx beside, int16_t lowest,
                         int16_t *room, int32_t *line, float *mean, float *size)
{
    const idx n = columns * tile, rows = (y1 - y0 + 1) / 2;
    memset(line, 0, (size_t)n * 4);
    for (idx i = 0; i < rows; i++) {
        int16_t *s = room + i * w;
        down(plane + (y0 + 2 * i) * w, w, beside, lowest, s);
        for (idx x = 0; x < n; x++) line[x] += s[x];
    }
    for (idx c = 0; c < columns; c++) {
        int64_t total = 0, off = 0;
        for (idx x = c * tile; x < (c + 1) * tile; x++) total += line[x];
        mean[c] = (float)((double)total / (double)(rows * tile));
        const int middle = (int)mean[c];
        for (idx i = 0; i < rows; i++) {
            const int16_t *s = room + i * w + c * tile;
            int32_t part = 0;
            for (idx x = 0; x < tile; x++) {
                const int v = s[x] - middle;
                part += v < 0 ? -v : v;
            }
            off += part;
        }
        size[c] = (float)((double)off / (double)(rows * tile));
    }
}

/* lines.evened, a row: steps less the mean around, in units of what is usual there, limited. */
WIDEST static void even(const int16_t *plane, idx w, idx beside, int16_t lowest, const float *mean, const float *scale,
                        float limit, int16_t *room, int16_t *out)
{
    down(plane, w, beside, lowest, room);
    for (idx x = 0; x < w; x++) {
        float v = ((float)room[x] - mean[x]) * scale[x];
        v = v < -limit ? -limit : v > limit ? limit : v;
        out[x] = (int16_t)rintf(v);
    }
}

/* lines.sums_right: sums along straight pieces from sums along their halves, to the right or mirrored to the left.
   What would need columns beyond the ends is left as it is. */
WIDEST static int16_t *add_up(int16_t *a, int16_t *b, idx rows, idx pitch, int right)
{
    for (idx slopes = 1; rows > 1; rows /= 2, slopes *= 2) {
        for (idx r = 0; r < rows / 2; r++)
            for (idx s = 0; s < slopes; s++)
                for (idx k = s; k <= s + 1; k++) {
                    const int16_t *p = a + (2 * r * slopes + s) * pitch, *q = p + slopes * pitch;
                    int16_t *o = b + (2 * r * slopes + s + k) * pitch;
                    if (right) for (idx x = 0; x < pitch - k; x++) o[x] = (int16_t)(p[x] + q[x + k]);
                    else for (idx x = k; x < pitch; x++) o[x] = (int16_t)(p[x] + q[x - k]);
                }
        int16_t *swap = a;
        a = b;
        b = swap;
    }
    return a;
}

WIDEST static void highest(const int16_t *sums, idx piece, idx pitch, idx n, int16_t *best)
{
    for (idx r = 0; r < piece; r++)
        for (idx x = 0; x < n; x++) best[x] = best[x] > sums[r * pitch + x] ? best[x] : sums[r * pitch + x];
}

/* lines.pieces, a strip: those with a sum of at least `least`, the greatest at each x. `room` is four tables and a
   row. */
static idx strip(const int16_t *value, idx w, idx piece, int least, int16_t *room, double number, double *out)
{
    const idx most = BLOCK + piece - 1, table = piece * most;
    idx n = 0;
    for (idx x0 = 0; x0 < w; x0 += BLOCK) {
        const idx columns = x0 + BLOCK < w ? BLOCK : w - x0, pitch = columns + piece - 1;
        int16_t *best = room + 4 * table;
        const int16_t *sums[2];
        for (int right = 0; right < 2; right++) {
            int16_t *a = room + 2 * right * table;
            const idx from = right ? x0 : x0 - piece + 1, low = within(-from, 0, pitch), high = within(w - from, 0,
                pitch);
            for (idx r = 0; r < piece; r++) {
                /* Beyond the plane all is so low that no piece that leaves it counts. */
                int16_t *p = a + r * pitch;
                for (idx x = 0; x < low; x++) p[x] = -1000;
                memcpy(p + low, value + r * w + from + low, (size_t)(high - low) * 2);
                for (idx x = high; x < pitch; x++) p[x] = -1000;
            }
            sums[right] = add_up(a, a + table, piece, pitch, right) + (right ? 0 : piece - 1);
        }
        for (idx x = 0; x < columns; x++) best[x] = INT16_MIN;
        highest(sums[0], piece, pitch, columns, best);
        highest(sums[1], piece, pitch, columns, best);
        for (idx x = 0; x < columns; x++) {
            if (best[x] < least) continue;
            idx reach = piece - 1;
            while (reach > 0 && sums[0][reach * pitch + x] != best[x]) reach--;
            reach = -reach;
            if (!reach) while (sums[1][reach * pitch + x] != best[x]) reach++;
            const double found[4] = {number, (double)(x0 + x), (double)reach, best[x]};
            memcpy(out + 4 * n++, found, sizeof found);
        }
    }
    return n;
}

/* lines.chains: of each piece the greatest sum of a chain that ends there, and the piece before it in that. `start`
   has room for the strips and one more. */
typedef struct {
    double miss, turn, wider, missed, turned, skipped;
    idx gap, piece;
} bends;

static void chain_up(const double *found, idx n, idx strips, const bends *b, idx *start, double *score, int64_t *back)
{
    for (idx s = 0, i = 0; s <= strips; s++) {
        while (i < n && (idx)found[4 * i] < s) i++;
        start[s] = i;
    }
    for (idx i = 0; i < n; i++) {
        const double *me = found + 4 * i;
        const idx s = (idx)me[0];
        score[i] = me[3];
        back[i] = -1;
        if (s == (idx)found[0]) continue;
        for (idx gap = 0; gap <= b->gap && gap < s; gap++) {
            double most_ = 0;
            idx best = -1;
            for (idx k = start[s - 1 - gap]; k < start[s - gap]; k++) {
                const double *it = found + 4 * k, turn = fabs(me[2] - it[2]);
                const double slope = (me[2] + it[2]) / (double)(2 * (b->piece - 1));
                const double miss = fabs(me[1] - (it[1] + it[2]) - slope * (double)(1 + gap * b->piece));
                if (miss > b->miss + b->wider * (double)gap || turn > b->turn) continue;
                const double gain = score[k] - b->turned * turn - b->missed * miss - b->skipped * (double)gap;
                if (gain > most_) most_ = gain, best = k;
            }
            if (best >= 0 && me[3] + most_ > score[i]) score[i] = me[3] + most_, back[i] = best;
        }
    }
}

/* The chains, plainest first: their sums, and their pieces one after the other from end to start. */
static idx trace(const int64_t *order, const double *score, const int64_t *back, idx n, double least, uint8_t *taken,
                 double *total, int64_t *pieces, int64_t *member)
{
    idx count = 0, end = 0;
    memset(taken, 0, (size_t)n);
    for (idx j = 0; j < n; j++) {
        const idx begin = end;
        int64_t k = order[j];
        while (k >= 0 && !taken[k]) {
            taken[k] = 1;
            member[end++] = k;
            k = back[k];
        }
        const double sum = score[order[j]] - (k >= 0 ? score[k] : 0);
        if (end > begin && sum >= least) {
            total[count] = sum;
            pieces[count++] = end - begin;
        } else
            end = begin;
    }
    return count;
}

/* rings.middles: votes of pieces of line for the middles of circles of some radius. */
static void vote(const double *found, const double *weight, idx n, const double *distances, idx many, idx h, idx w,
                 idx cell, idx columns, double *votes)
{
    for (idx d = 0; d < many; d++)
        for (idx i = 0; i < n; i++) {
            const double *f = found + 5 * i, x = f[0] - f[3] * distances[d], y = f[1] + f[2] * distances[d];
            if (x >= 0 && y >= 0 && x < (double)w && y < (double)h)
                votes[(idx)y / cell * columns + (idx)x / cell] += weight[i];
        }
}

/* rings._closed, one score (n, m): `total` has room for 2 (m + 2), `back` for 2 n m. */
WIDEST static void closed(const float *score, idx n, idx m, float bent, float *total, int8_t *back, int64_t *out)
{
    float *now = total + 1, *next = total + m + 3;
    for (idx j = -1; j <= m; j++) now[j] = next[j] = j < 0 || j == m ? -1e9f : 0;
    for (idx i = 0; i < 2 * n; i++) {
        const float *s = score + i % n * m;
        int8_t *b = back + i * m;
        for (idx j = 0; j < m; j++) {
            const float low = now[j - 1] - bent, high = now[j + 1] - bent, same = now[j];
            float best = low > high ? low : high;
            best = best > same ? best : same;
            b[j] = (int8_t)(best == same ? 0 : best == low ? -1 : 1);
            next[j] = best + s[j];
        }
        float *swap = now;
        now = next;
        next = swap;
    }
    idx at = 0;
    for (idx j = 1; j < m; j++)
        if (now[j] > now[at]) at = j;
    for (idx i = 2 * n - 1; i >= n / 2; i--) {
        if (i < n / 2 + n) out[i % n] = at;
        at += back[i * m + at];
    }
}

static int64_t root_of(int64_t *root, int64_t i)
{
    while (root[i] != i) i = root[i] = root[root[i]];
    return i;
}

/* Runs of neighbours, joined to the runs of the row above that they touch, and numbered: `first`, `last` of each,
   flat, rising. In the end `last` is the number of the part each belongs to. */
static idx join(int64_t *first, int64_t *last, int64_t *root, idx runs, idx width)
{
    for (idx r = 0; r < runs; r++) root[r] = r;
    for (idx r = 0, above = 0; r < runs; r++) {
        const int64_t left = first[r] % width ? first[r] - width - 1 : first[r] - width;
        const int64_t right = last[r] % width == width - 1 ? last[r] - width : last[r] - width + 1;
        while (last[above] < left) above++;
        for (idx a = above; a < r && first[a] <= right; a++) {
            const int64_t p = root_of(root, a), q = root_of(root, r);
            if (p < q) root[q] = p;
            else root[p] = q;
        }
    }
    idx count = 0;
    for (idx r = 0; r < runs; r++) {
        const int64_t top = root_of(root, r);
        last[r] = top == r ? count++ : last[top];
    }
    return count;
}

/* components.connected: `first`, `last`, `root` have room for n runs. */
static idx connect(const int64_t *index, idx n, idx width, int64_t *first, int64_t *last, int64_t *root, int64_t *part)
{
    idx runs = 0;
    for (idx i = 0; i < n; i++) {
        if (i && index[i] == index[i - 1] + 1 && index[i] % width) last[runs - 1] = index[i];
        else first[runs] = last[runs] = index[i], runs++;
        part[i] = runs - 1;
    }
    const idx count = join(first, last, root, runs, width);
    for (idx i = 0; i < n; i++) part[i] = last[part[i]];
    return count;
}

/* components.beside. */
static void beside(const int64_t *index, idx n, int64_t move, int64_t *at)
{
    for (idx i = 0, k = 0; i < n; i++) {
        while (k < n && index[k] < index[i] + move) k++;
        at[i] = k < n && index[k] == index[i] + move ? k : -1;
    }
}

/* `connect` of 32 bits. The runs are kept by `runs`, which grows with them. */
typedef struct {
    int64_t *first, *last, *root;
    idx room;
} runs_of;

static idx connect_few(const int32_t *index, idx n, idx width, runs_of *runs, int32_t *part)
{
    idx count = 0;
    int64_t end = -1; /* of the row */
    for (idx i = 0; i < n; i++) {
        if (i && index[i] == index[i - 1] + 1 && index[i] < end) runs->last[count - 1] = index[i];
        else {
            if (count == runs->room) {
                const idx room = runs->room ? 2 * runs->room : 4096;
                int64_t **each[3] = {&runs->first, &runs->last, &runs->root};
                for (int k = 0; k < 3; k++) {
                    int64_t *more = realloc(*each[k], (size_t)room * 8);
                    if (!more) return -1;
                    *each[k] = more;
                }
                runs->room = room;
            }
            if (index[i] >= end) end = ((int64_t)index[i] / width + 1) * width;
            runs->first[count] = runs->last[count] = index[i];
            count++;
        }
        part[i] = (int32_t)(count - 1);
    }
    count = join(runs->first, runs->last, runs->root, count, width);
    for (idx i = 0; i < n; i++) part[i] = (int32_t)runs->last[part[i]];
    return count;
}

static void no_runs(runs_of *runs)
{
    free(runs->first);
    free(runs->last);
    free(runs->root);
}

/* candidates.parts, one threshold: the parts of a size go to `kept`, `owner` and `at`, and what exceeds the next
   threshold stays. `part` has room for n. Returns how many pixels stay; less than none where memory ran out. */
static idx rung(int32_t *index, float *value, float *threshold, idx n, idx width, idx least, idx greatest, float share,
                float most_,
                int32_t *part, int32_t base, int32_t *kept, int32_t *owner, float *at, idx *pixels, idx *parts)
{
    runs_of runs = {0};
    const idx count = connect_few(index, n, width, &runs, part);
    int64_t *area = runs.first; /* there are no more parts than runs */
    idx left = -1;
    if (count >= 0) {
        int64_t *number = runs.root;
        memset(area, 0, (size_t)count * 8);
        for (idx i = 0; i < n; i++) area[part[i]]++;
        left = *parts = *pixels = 0;
        for (idx p = 0; p < count; p++) number[p] = area[p] >= least && area[p] <= greatest ? (*parts)++ : -1;
        for (idx i = 0; i < n; i++) {
            const int32_t p = part[i];
            if (number[p] >= 0) {
                kept[*pixels] = index[i];
                owner[*pixels] = base + (int32_t)number[p];
                at[(*pixels)++] = threshold[i];
            }
            const float step = share * threshold[i], next = threshold[i] + (step < most_ ? step : most_);
            if (value[i] > next && area[p] >= least) {
                index[left] = index[i];
                value[left] = value[i];
                threshold[left++] = next;
            }
        }
    }
    no_runs(&runs);
    return left;
}

/* candidates.Parts.only: the pixels of parts that are taken, under their new numbers; less than none where there is no room. */
static idx some(const int32_t *index, const int32_t *part, const float *threshold, idx n, const uint8_t *take,
                const int32_t *number, idx room, int32_t *kept, int32_t *owner, float *at)
{
    idx many = 0;
    for (idx i = 0; i < n; i++) {
        if (!take[part[i]]) continue;
        if (many == room) return -1;
        kept[many] = index[i];
        owner[many] = number[part[i]];
        at[many++] = threshold[i];
    }
    return many;
}

/* Pixels of parts lie far apart: they are fetched so many before it is their turn. */
enum { AHEAD = 24 };

/* features.glance, its sums over the pixels of each part. */
enum { AREA, SUM, SQUARES, CORE, DEEP, PEAK, TOP, PLACE, DENSE, TALLIES };

static void tally(const int32_t *index, const int32_t *part, const float *threshold, idx n, const int16_t *height,
                  const int16_t *plane, double *out)
{
    for (idx i = 0; i < n;) {
        const int32_t who = part[i];
        const idx begin = i;
        double *o = out + (idx)who * TALLIES, squares = 0;
        int64_t sum = 0, dense = 0;
        int core = 0, deep = 0, peak = INT16_MIN, top = INT16_MIN;
        do {
            if (i + AHEAD < n) FETCH(height + index[i + AHEAD]), FETCH(plane + index[i + AHEAD]);
            const int16_t h = height[index[i]], p = plane[index[i]];
            const float v = h, square = v * v;
            sum += h;
            squares += square;
            core += v > threshold[i] * 1.3f;
            deep += v > threshold[i] * 2.0f;
            peak = h > peak ? h : peak;
            top = p > top ? p : top;
            dense += p;
        } while (++i < n && part[i] == who);
        o[AREA] += (double)(i - begin);
        o[SUM] += (double)sum;
        o[SQUARES] += squares;
        o[CORE] += core;
        o[DEEP] += deep;
        if (peak > o[PEAK]) o[PEAK] = peak;
        if (top > o[TOP]) o[TOP] = top;
        o[PLACE] = (double)index[i - 1];
        o[DENSE] += (double)dense;
    }
}

/* kinds.shapes: sums over the pixels of each part, and the sides they turn to each other. Pixels rise within a part;
   where they do not rise, another sheet of parts begins. A run of a row is added up at once, in whole numbers, about the
   part's first pixel. */
enum { PIXELS, MX, MY, XX, YY, XY, X0, Y0, X1, Y1, SHARED, FORMS };

typedef struct {
    int64_t n, x, y, xx, yy, xy, shared;
    int32_t first_x, first_y, x0, y0, x1, y1;
} moments;

static void form(const int32_t *index, const int32_t *part, idx n, idx count, idx width, moments *room, double *out)
{
    for (idx p = 0; p < count; p++) room[p] = (moments){.x0 = INT32_MAX, .y0 = INT32_MAX, .x1 = -1, .y1 = -1};
    for (idx i = 0, below = 0, end = 0, to; i < n; i = to) {
        if (i == end) {
            below = i;
            do end++;
            while (end < n && index[end] > index[end - 1]);
        }
        const int32_t who = part[i], row = index[i] / (int32_t)width, column = index[i] - row * (int32_t)width;
        const idx last = i + width - column < end ? i + width - column : end;
        for (to = i + 1; to < last && index[to] == index[to - 1] + 1 && part[to] == who;) to++;
        moments *o = room + who;
        if (!o->n) o->first_x = column, o->first_y = row;
        const int64_t m = to - i, a = column - o->first_x, y = row - o->first_y, x = m * a + m * (m - 1) / 2;
        o->n += m;
        o->x += x;
        o->y += m * y;
        o->xx += m * a * a + a * m * (m - 1) + (m - 1) * m * (2 * m - 1) / 6;
        o->yy += m * y * y;
        o->xy += x * y;
        if (column < o->x0) o->x0 = column;
        if (column + (int32_t)m - 1 > o->x1) o->x1 = column + (int32_t)m - 1;
        if (row < o->y0) o->y0 = row;
        if (row > o->y1) o->y1 = row;
        o->shared += m - 1;
        while (below < end && (int64_t)index[below] < (int64_t)index[i] + width) below++;
        for (; below < end && (int64_t)index[below] < (int64_t)index[i] + width + m; below++) o->shared += part[below] == who;
    }
    for (idx p = 0; p < count; p++) {
        const moments *r = room + p;
        const double many = r->n > 1 ? (double)r->n : 1, x = (double)r->x, y = (double)r->y;
        const double values[FORMS] = {
            (double)r->n, (double)(r->x + r->n * r->first_x) / many, (double)(r->y + r->n * r->first_y) / many,
            (double)r->xx - x * x / many, (double)r->yy - y * y / many, (double)r->xy - x * y / many,
            r->n ? r->x0 : INFINITY, r->n ? r->y0 : INFINITY, r->x1, r->y1, (double)r->shared};
        memcpy(out + p * FORMS, values, sizeof values);
    }
}

/* features._across: what lies across the outlines of parts. */
enum { LOW, FIRST, INNER, SLOPE, OPEN, SHARP, SPREAD, RINGS, SIDE, REACH = SIDE + 4, SIDES = REACH + 4,
      EDGES = SIDES + 4 };

typedef struct {
    const int32_t *index, *part;
    const float *threshold;
    idx n, count, rows, width, full_rows, full_width, scale;
    const int16_t *height, *plane, *full;
    int sign; /* of what the level is made of, against the full picture */
} outline;

static int sharpest(const outline *o, idx y, idx x, int dy, int dx)
{
    const idx s = o->scale, begin = -(s / 2) - 1, end = s + s / 2 + 3, step = dy * o->full_width + dx;
    y = y * s + s / 2;
    x = x * s + s / 2;
    const idx reach = end > -begin ? end : -begin;
    int best = INT32_MIN;
    if (y >= reach && x >= reach && y + reach < o->full_rows && x + reach < o->full_width) {
        const int16_t *p = o->full + y * o->full_width + x;
        for (idx k = begin + 2; k < end; k++) {
            const int fall = o->sign * (p[(k - 2) * step] - p[k * step]);
            best = fall > best ? fall : best;
        }
        return best;
    }
    int before = 0, last = 0;
    for (idx k = begin; k < end; k++) {
        const int value = o->sign * o->full[within(y + k * dy, 0, o->full_rows - 1) * o->full_width
                                            + within(x + k * dx, 0, o->full_width - 1)];
        if (k >= begin + 2 && before - value > best) best = before - value;
        before = last;
        last = value;
    }
    return best;
}

/* features._sides: which sides lead out of the part, with room for four pixels; a bit for each of `OUT`. */
static const int OUT[4][2] = {{0, 1}, {0, -1}, {1, 0}, {-1, 0}};

static inline int outward(const outline *o, idx at, int32_t y, int32_t x, int limit)
{
    const int16_t *p = o->height + at;
    const idx w = o->width;
    if (x >= 4 && x + 4 < w && y >= 4 && y + 4 < o->rows)
        return (p[1] <= limit) | (p[-1] <= limit) << 1 | (p[w] <= limit) << 2 | (p[-w] <= limit) << 3;
    int ways = 0;
    for (int d = 0; d < 4; d++) {
        const int dy = OUT[d][0], dx = OUT[d][1];
        if (y + 4 * dy >= 0 && y + 4 * dy < o->rows && x + 4 * dx >= 0 && x + 4 * dx < w && y - dy >= 0 && y - dy < o->rows
            && x - dx >= 0 && x - dx < w && p[dy * w + dx] <= limit)
            ways |= 1 << d;
    }
    return ways;
}

/* Row and column of the next pixel of a list, and the greatest whole number that is not above its threshold. */
typedef struct {
    idx at;
    int32_t y, x;
    float threshold;
    int limit;
} reading;

static inline void go_on(reading *r, const outline *o, idx i)
{
    const idx at = o->index[i];
    if (at == r->at + 1 && r->x + 1 < o->width) r->x++;
    else r->y = (int32_t)at / (int32_t)o->width, r->x = (int32_t)at - r->y * (int32_t)o->width;
    r->at = at;
    if (o->threshold[i] != r->threshold || i == 0) {
        r->threshold = o->threshold[i];
        r->limit = (int)floorf(r->threshold < 40000 ? r->threshold > -40000 ? r->threshold : -40000 : 40000);
    }
}

/* The rows around a pixel that is not the next of its row. */
static inline void fetch_around(const outline *o, const int16_t *plane, idx i, idx rows)
{
    if (i + AHEAD >= o->n || o->index[i + AHEAD] == o->index[i + AHEAD - 1] + 1) return;
    const idx at = o->index[i + AHEAD], size = o->rows * o->width;
    if (at < rows * o->width || at >= size - rows * o->width) return;
    for (idx k = -rows; k <= rows; k++) FETCH(plane + at + k * o->width);
}

/* What `sharpest` reads of the full picture there. */
static inline void fetch_whole(const outline *o, idx i)
{
    if (i + AHEAD >= o->n || o->index[i + AHEAD] == o->index[i + AHEAD - 1] + 1) return;
    const idx at = o->index[i + AHEAD], s = o->scale, reach = s + s / 2 + 2, y = at / o->width * s + s / 2,
              x = at % o->width * s + s / 2;
    for (idx k = within(y - reach, 0, o->full_rows); k < within(y + reach + 1, 0, o->full_rows); k++)
        FETCH(o->full + k * o->full_width + x);
}

static inline int highest_of(int a, int b, int c) { return a > b ? a > c ? a : c : b > c ? b : c; }

/* All sums are of whole numbers; only what counts as open depends on the contrast, so that the falls are kept for it. `uneven`
   is twice the size of the second differences along rows within each part, and how many there are (features._grain_inside). */
static int across(const outline *o, const float *total, float *contrast, int64_t *out, int64_t *uneven)
{
    /* At full size what is read for the rest is all that `sharpest` would read. */
    const int whole = o->scale == 1 && o->full == o->plane;
    typedef struct { int32_t who, fall; } pair;
    pair *pairs = NULL;
    idx many = 0, room = 0;
    reading r = {.at = -2};
    for (idx i = 0; i < o->n;) {
        const int32_t who = o->part[i];
        int64_t t[EDGES] = {0}, rough = 0, steps = 0;
        do {
            if (many + 4 > room) {
                room = room ? 2 * room : 4096;
                pair *more = realloc(pairs, (size_t)room * sizeof *pairs);
                if (!more) {
                    free(pairs);
                    return 0;
                }
                pairs = more;
            }
            go_on(&r, o, i);
            fetch_around(o, o->height, i, 3);
            fetch_around(o, o->plane, i, 4);
            if (!whole) fetch_whole(o, i);
            const int16_t *p = o->plane + r.at, *h = o->height + r.at;
            if (i + 4 < o->n && o->index[i + 4] == o->index[i] + 4 && o->part[i + 4] == who) {
                const int twice = 2 * p[2] - p[0] - p[4];
                rough += twice < 0 ? -twice : twice;
                steps++;
            }
            const int ways = outward(o, r.at, r.y, r.x, r.limit);
            for (int d = 0; ways >> d; d++) {
                if (!(ways >> d & 1)) continue;
                const idx off = OUT[d][0] * o->width + OUT[d][1];
                const int16_t far = h[3 * off], own = h[0];
                const int here = p[0], inner = p[-off], b1 = p[off], b2 = p[2 * off], b3 = p[3 * off], b4 = p[4 * off];
                const int two = (here > inner ? here : inner) - b2;
                t[LOW] += far < own ? far : own;
                t[FIRST] += here - b1;
                t[INNER] += inner - here;
                t[SLOPE] += b2 - b4;
                t[SHARP] += whole ? highest_of(inner - b1, here - b2, b1 - b3) : sharpest(o, r.y, r.x, OUT[d][0], OUT[d][1]);
                t[SPREAD] += (int64_t)two * two;
                t[RINGS] += (int64_t)b3 * b3;
                t[SIDE + d] += two;
                t[REACH + d] += b3;
                t[SIDES + d] += 1;
                pairs[many++] = (pair){who, two};
            }
        } while (++i < o->n && o->part[i] == who);
        for (int k = 0; k < EDGES; k++) out[(idx)who * EDGES + k] += t[k];
        uneven[2 * (idx)who] += rough;
        uneven[2 * (idx)who + 1] += steps;
    }
    for (idx k = 0; k < o->count; k++) {
        const int64_t *t = out + k * EDGES, n = t[SIDES] + t[SIDES + 1] + t[SIDES + 2] + t[SIDES + 3];
        const double rest = (double)total[k] - (n ? (double)t[LOW] / (double)n : 0);
        contrast[k] = (float)(rest > 1 ? rest : 1);
    }
    for (idx i = 0; i < many; i++) {
        const idx who = pairs[i].who;
        out[who * EDGES + OPEN] += (float)pairs[i].fall / contrast[who] < 0.35f;
    }
    free(pairs);
    return 1;
}

/* features._across_channels: falls of the channel densities across outlines. `back` is none where the light itself is the
   film's. */
typedef struct {
    const float *linear, *back, *bias, *tables, *low, *steps, *apart;
    idx rows, width, fine;
} channels_of;

/* Pairs looked at together: where they lie, and the densities there, inside first. */
enum { TOGETHER = 256 };

typedef struct {
    int32_t who[TOGETHER], at[2 * TOGETHER];
    float light[3][2 * TOGETHER], density[3][2 * TOGETHER];
} looking;

WIDEST static void densities(const channels_of *c, looking *l)
{
    const float last = (float)c->fine - 1.01f;
    for (idx k = 0; k < 3; k++) {
        float place[2 * TOGETHER];
        if (!c->back) {
            for (idx i = 0; i < 2 * TOGETHER; i++) {
                const float light = l->light[k][i], v = light > 0 ? light < 1e6f ? light : 1e6f : 0; /* no number is dark */
                l->density[k][i] = logarithm(v + 0.01f) * 0.4342944819f;
            }
            continue;
        }
        for (idx i = 0; i < 2 * TOGETHER; i++) {
            float v = 0;
            for (idx j = 0; j < 3; j++) v += (l->light[j][i] - c->bias[j]) * c->back[3 * k + j];
            v = v > 1e-8f ? v < 1e6f ? v : 1e6f : 1e-8f;
            const float p = (logarithm(v) - c->low[k]) * c->steps[k];
            place[i] = p > 0 ? p < last ? p : last : 0;
        }
        for (idx i = 0; i < 2 * TOGETHER; i++) {
            const int32_t whole = (int32_t)place[i];
            const float *t = c->tables + k * c->fine + whole;
            l->density[k][i] = t[0] + (t[1] - t[0]) * (place[i] - (float)whole);
        }
    }
    if (!c->back) return;
    for (idx i = 0; i < 2 * TOGETHER; i++) {
        float v[3] = {0};
        for (idx k = 0; k < 3; k++)
            for (idx j = 0; j < 3; j++) v[k] += l->density[j][i] * c->apart[3 * k + j];
        for (idx k = 0; k < 3; k++) l->density[k][i] = v[k];
    }
}

static void looked(const channels_of *c, looking *l, idx n, double *out)
{
    for (idx i = 0; i < 2 * n; i++) {
        if (i + AHEAD < 2 * n) FETCH(c->linear + 3 * (idx)l->at[i + AHEAD]);
        for (idx k = 0; k < 3; k++) l->light[k][i] = c->linear[3 * (idx)l->at[i] + k];
    }
    densities(c, l);
    for (idx i = 0; i < n; i++) {
        double *t = out + 4 * (idx)l->who[i];
        for (idx k = 0; k < 3; k++) t[k] += l->density[k][2 * i] - l->density[k][2 * i + 1];
        t[3] += 1;
    }
}

/* `ways` has room for n, `many` for 4 counts a part: of long sides only every so manieth pair is looked at. */
static void falls(const outline *o, const channels_of *c, const int32_t *area, idx enough, idx deep, uint8_t *ways,
                  int32_t *many, double *out)
{
    const idx s = o->scale;
    reading r = {.at = -2};
    looking l = {.who = {0}};
    idx n = 0;
    memset(many, 0, (size_t)o->count * 16);
    for (idx i = 0; i < o->n; i++) {
        fetch_around(o, o->height, i, 1);
        go_on(&r, o, i);
        ways[i] = (uint8_t)outward(o, r.at, r.y, r.x, r.limit);
        for (int d = 0; d < 4; d++) many[4 * (idx)o->part[i] + d] += ways[i] >> d & 1;
    }
    for (idx k = 0; k < 4 * o->count; k++) many[k] = 1 + many[k] / (int32_t)enough;
    for (idx i = 0; i < o->n; i++) {
        go_on(&r, o, i);
        const int32_t who = o->part[i];
        for (int d = 0; ways[i] >> d; d++) {
            const int32_t every = many[4 * (idx)who + d];
            if (!(ways[i] >> d & 1) || (every > 1 && (r.y + r.x) % every)) continue;
            const idx dy = OUT[d][0], dx = OUT[d][1], back = area[who] > deep;
            l.who[n] = who;
            l.at[2 * n] = (int32_t)(((r.y - back * dy) * s + s / 2) * c->width + (r.x - back * dx) * s + s / 2);
            l.at[2 * n + 1] = (int32_t)(((r.y + 2 * dy) * s + s / 2) * c->width + (r.x + 2 * dx) * s + s / 2);
            if (++n == TOGETHER) looked(c, &l, n, out), n = 0;
        }
    }
    looked(c, &l, n, out);
}

/* score.Trees: many rows of values walk down one tree after the other side by side, from the tree `begin` to each of `stops`
   (trees before it), beyond which a row whose total is no more than what is the least there does not go. */
enum { ABREAST = 64 };

/* The bin of each value, column by column. */
WIDEST static void bins(const float *values, idx n, idx columns, const float *edges, const int64_t *start, uint8_t *bin)
{
    for (idx j = 0; j < columns; j++) {
        float v[ABREAST] = {0};
        int32_t over_[ABREAST] = {0};
        for (idx i = 0; i < n; i++) v[i] = values[i * columns + j];
        for (idx k = start[j]; k < start[j + 1]; k++) {
            const float e = edges[k];
            IN_TURN(k);
            for (idx i = 0; i < ABREAST; i++) over_[i] += !(v[i] < e);
        }
        for (idx i = 0; i < ABREAST; i++) bin[j * ABREAST + i] = (uint8_t)over_[i];
    }
}

/* Where each row comes out of a tree. */
WIDEST static void leaf_of(const uint8_t *bin, const uint8_t *features, const uint8_t *limits, int depth, uint8_t *leaf)
{
    for (idx i = 0; i < ABREAST; i++) leaf[i] = 0;
    for (int d = 0; d < depth; d++) {
        uint8_t right[ABREAST] = {0};
        for (idx k = 0; k < (idx)1 << d; k++) {
            const uint8_t *b = bin + features[k] * ABREAST, limit = limits[k], node = (uint8_t)k;
            IN_TURN(k);
            for (idx i = 0; i < ABREAST; i++) right[i] |= (uint8_t)((leaf[i] == node) & (b[i] > limit));
        }
        for (idx i = 0; i < ABREAST; i++) leaf[i] = (uint8_t)(2 * leaf[i] + right[i]);
        features += (idx)1 << d, limits += (idx)1 << d;
    }
}

static void walk(const float *values, idx n, idx columns, const float *edges, const int64_t *start, const uint8_t *features,
                 const uint8_t *limits, const float *leaves, int depth, idx begin, const int64_t *stops, const float *least,
                 idx many, float *total)
{
    const idx nodes = ((idx)1 << depth) - 1;
    uint8_t bin[256 * ABREAST], leaf[ABREAST];
    for (idx r = 0; r < n; r += ABREAST) {
        const idx rows = n - r < ABREAST ? n - r : ABREAST;
        uint8_t alive[ABREAST];
        int any = 1;
        memset(alive, 1, sizeof alive);
        bins(values + r * columns, rows, columns, edges, start, bin);
        for (idx s = 0, t = begin; s < many && any; s++) {
            float sum[ABREAST] = {0};
            for (; t < stops[s]; t++) {
                const float *of = leaves + t * (nodes + 1);
                leaf_of(bin, features + t * nodes, limits + t * nodes, depth, leaf);
                for (idx i = 0; i < ABREAST; i++) sum[i] += of[leaf[i]];
            }
            any = 0;
            for (idx i = 0; i < rows; i++) {
                if (!alive[i]) continue;
                total[r + i] += sum[i];
                any |= alive[i] = total[r + i] > least[s];
            }
        }
    }
}

/* components.ordered: a stable order of numbers not below 0, by their lower digits first; `room` for 2 n of them with their
   places, which are carried along. */
typedef struct {
    int32_t value, at;
} placed;

/* Pairs in the first half of `room`, sorted; they end up where what is returned points to. */
static placed *by_digits(placed *room, idx n)
{
    enum { BITS = 11, DIGITS = 1 << BITS, PASSES = 3 };
    idx count[PASSES][DIGITS] = {{0}};
    int32_t most_ = 0;
    placed *from = room, *to = room + n;
    for (idx i = 0; i < n; i++) most_ = most_ > from[i].value ? most_ : from[i].value;
    int passes = 1;
    while (passes < PASSES && most_ >> (passes * BITS)) passes++;
    for (idx i = 0; i < n; i++)
        for (int p = 0; p < passes; p++) count[p][from[i].value >> (p * BITS) & (DIGITS - 1)]++;
    for (int p = 0; p < passes; p++) {
        idx *next = count[p];
        for (idx k = 0, begin = 0; k < DIGITS; k++) {
            const idx many = next[k];
            next[k] = begin;
            begin += many;
        }
        for (idx i = 0; i < n; i++) to[next[from[i].value >> (p * BITS) & (DIGITS - 1)]++] = from[i];
        placed *swap = from;
        from = to;
        to = swap;
    }
    return from;
}

static void sort_by_digits(const int32_t *value, idx n, int32_t *order, placed *room)
{
    for (idx i = 0; i < n; i++) room[i] = (placed){value[i], (int32_t)i};
    const placed *sorted = by_digits(room, n);
    for (idx i = 0; i < n; i++) order[i] = sorted[i].at;
}

/* find.claimed: places in order, each once, with the least rank there; the pairs are sorted by place, with the rank of the
   owner carried along. How many places there are. */
static idx claim(const int32_t *index, const int32_t *owner, idx n, const int32_t *rank, placed *room, int32_t *place,
                 int32_t *best)
{
    idx found = 0;
    for (idx i = 0; i < n; i++) room[i] = (placed){index[i], rank[owner[i]]};
    const placed *sorted = by_digits(room, n);
    for (idx i = 0; i < n; i++) {
        if (found && place[found - 1] == sorted[i].value) {
            if (sorted[i].at < best[found - 1]) best[found - 1] = sorted[i].at;
        } else
            place[found] = sorted[i].value, best[found++] = sorted[i].at;
    }
    return found;
}

/* look.cuts: how much of each pixel of a cut its outline covers. */
static void covers(const int64_t *index, const int64_t *owner, idx n, idx width, const int64_t *y, const int64_t *x,
                   const int64_t *step, idx count, idx side, float *out)
{
    for (idx i = 0; i < n; i++) {
        const int64_t k = owner[i], s = step[k];
        const int64_t v = index[i] / width / s - y[k] / s + side / 2, u = index[i] % width / s - x[k] / s + side / 2;
        if (v >= 0 && v < side && u >= 0 && u < side) out[(k * side + v) * side + u] += 1;
    }
    for (idx k = 0; k < count; k++)
        for (idx i = 0; i < side * side; i++) out[k * side * side + i] /= (float)(step[k] * step[k]);
}

/* look.in_units. */
WIDEST static void in_units(const int16_t *density, const float *cover, idx count, idx size, const float *ground,
                            const float *per_contrast, const float *per_grain, float in_contrast, float in_grain, float *out)
{
    for (idx k = 0; k < count; k++)
        for (idx i = k * size; i < (k + 1) * size; i++) {
            const float above = density[i] - ground[k];
            float a = above * per_contrast[k], b = above * per_grain[k];
            a = a < -in_contrast ? -in_contrast : a > in_contrast ? in_contrast : a;
            b = b < -in_grain ? -in_grain : b > in_grain ? in_grain : b;
            out[3 * i] = a;
            out[3 * i + 1] = b;
            out[3 * i + 2] = cover[i];
        }
}

/* look.convolved, some places of a row beside each other, from rows `pitch` apart that lie one under the other. Sums of eight
   outputs at a time stay in registers; each is added up in the order of the kernel. */
enum { OUTPUTS = 32, EIGHT = 8 };

#if defined(__GNUC__)
typedef float eight __attribute__((vector_size(32), aligned(4)));
#define TIMES(sum, v, k) sum += v * *(const eight *)(k)
#define ALWAYS __attribute__((always_inline))
#else
typedef struct { float at[EIGHT]; } eight;
#define TIMES(sum, v, k) for (idx o_ = 0; o_ < EIGHT; o_++) sum.at[o_] += v * (k)[o_]
#define ALWAYS
#endif

ALWAYS static inline void convolve(const float *restrict x, idx pitch, idx side, idx run, idx apart,
                                   const float *restrict kernel, const float *restrict add, const idx eights,
                                   const idx places, idx kept, float *restrict out)
{
    eight sum[4][OUTPUTS / EIGHT];
    float got[OUTPUTS] = {0};
    for (idx p = 0; p < places; p++)
        for (idx e = 0; e < eights; e++) memcpy(&sum[p][e], add + EIGHT * e, sizeof sum[p][e]);
    for (idx y = 0; y < side; y++) {
        const float *k = kernel + y * run * eights * EIGHT, *row = x + y * pitch;
        for (idx i = 0; i < run; i++, k += eights * EIGHT)
            for (idx p = 0; p < places; p++) {
                const float v = row[p * apart + i];
                for (idx e = 0; e < eights; e++) TIMES(sum[p][e], v, k + EIGHT * e);
            }
    }
    for (idx p = 0; p < places; p++) {
        for (idx e = 0; e < eights; e++) memcpy(got + EIGHT * e, &sum[p][e], sizeof sum[p][e]);
        for (idx o = 0; o < kept; o++) out[p * kept + o] = got[o] > 0 ? got[o] : 0;
    }
}

/* One picture (rows, columns, inputs) with zeros around it. `kernel` has `outputs` columns, a multiple of 8, of which so
   many are kept. */
WIDEST static void convolved(const float *x, idx rows, idx columns, idx inputs, idx side, idx step, const float *kernel,
                             const float *add, idx outputs, idx kept, float *padded, float *out)
{
    const idx pitch = (columns + side - 1) * inputs, run = side * inputs, apart = step * inputs, across_ = columns / step;
    for (idx y = 0; y < rows; y++)
        memcpy(padded + (y + side / 2) * pitch + side / 2 * inputs, x + y * columns * inputs, (size_t)(columns * inputs) * 4);
    for (idx y = 0; y < rows / step; y++)
        for (idx i = 0; i < across_;) {
            const float *from = padded + y * step * pitch + i * apart;
            float *to = out + (y * across_ + i) * kept;
            const idx left = across_ - i;
            if (outputs == 16 && left >= 4) convolve(from, pitch, side, run, apart, kernel, add, 2, 4, kept, to), i += 4;
            else if (outputs == 24 && left >= 4) convolve(from, pitch, side, run, apart, kernel, add, 3, 4, kept, to), i += 4;
            else if (outputs == 32 && left >= 2) convolve(from, pitch, side, run, apart, kernel, add, 4, 2, kept, to), i += 2;
            else convolve(from, pitch, side, run, apart, kernel, add, outputs / EIGHT, 1, kept, to), i++;
        }
}

/* find.outline: outlines at full size, one owner after the other, without their crumbs. */
typedef struct {
    int32_t *at, *ground, *part, *spare;
    idx n, room;
} growing;

static int grown(growing *g, idx more)
{
    if (g->n + more <= g->room) return 1;
    const idx room = 2 * (g->n + more);
    int32_t **each[4] = {&g->at, &g->ground, &g->part, &g->spare};
    for (int k = 0; k < 4; k++) {
        int32_t *bigger = realloc(*each[k], (size_t)room * 4);
        if (!bigger) return 0;
        *each[k] = bigger;
    }
    g->room = room;
    return 1;
}

typedef struct {
    const int16_t *full;
    const int32_t *opening;
    idx rows, width, own_width, scale;
    double crumb, least, whole;
    int sign;
} ground_of;

typedef struct {
    growing found, kept; /* of `kept`, `part` is the owner */
    runs_of runs;
    uint8_t *seen;
    idx room;
} outlining;

/* One owner: its pixels of the level are index[member[0 .. n - 1]]. */
static int trace_one(const ground_of *o, const int32_t *index, const int32_t *member, idx n, double half, int32_t who,
                     outlining *s, uint8_t *whole)
{
    const idx scale = o->scale, reach = 2 + scale / 2, w = o->width, size = o->rows * w;
    growing *g = &s->found;
    idx x0 = w, y0 = o->rows, x1 = 0, y1 = 0;
    for (idx i = 0; i < n; i++) {
        const idx y = index[member[i]] / o->own_width * scale, x = index[member[i]] % o->own_width * scale;
        x0 = x < x0 ? x : x0, x1 = x > x1 ? x : x1;
        y0 = y < y0 ? y : y0, y1 = y > y1 ? y : y1;
    }
    x0 = within(x0 - reach, 0, w), y0 = within(y0 - reach, 0, o->rows);
    const idx across_ = within(x1 + scale + reach, 0, w) - x0, tall = within(y1 + scale + reach, 0, o->rows) - y0;
    if (across_ * tall > s->room) {
        free(s->seen);
        s->room = 2 * across_ * tall;
        if (!(s->seen = calloc((size_t)s->room, 1))) return 0;
    }
    g->n = 0;
    for (idx i = 0; i < n; i++) {
        const idx place = index[member[i]], y = place / o->own_width * scale, x = place % o->own_width * scale;
        const int32_t ground = o->opening[member[i]];
        if (!grown(g, scale * scale)) return 0;
        for (idx dy = 0; dy < scale; dy++)
            for (idx dx = 0; dx < scale; dx++) {
                const idx at = (y + dy) * w + x + dx;
                if ((double)(o->sign * o->full[at]) < (double)ground + half) continue;
                s->seen[(y + dy - y0) * across_ + x + dx - x0] = 1;
                g->at[g->n] = (int32_t)at;
                g->ground[g->n++] = ground;
            }
    }
    for (idx step = 0, from = 0; step < reach && from < g->n; step++) {
        const idx to = g->n;
        if (!grown(g, 4 * (to - from))) return 0;
        for (int d = 0; d < 4; d++)
            for (idx i = from; i < to; i++) {
                const idx x = g->at[i] % w, at = g->at[i] + (d == 0 ? 1 : d == 1 ? -1 : d == 2 ? w : -w);
                if (d == 0 ? x == w - 1 : d == 1 ? x == 0 : at < 0 || at >= size) continue;
                uint8_t *seen = s->seen + (at / w - y0) * across_ + at % w - x0;
                if (*seen || (double)(o->sign * o->full[at]) < (double)g->ground[i] + half) continue;
                *seen = 1;
                g->at[g->n] = (int32_t)at;
                g->ground[g->n++] = g->ground[i];
            }
        from = to;
    }
    /* What was seen, row by row, is in order. */
    for (idx y = 0, k = 0; y < tall && k < g->n; y++)
        for (uint8_t *row = s->seen + y * across_, *p = row; (p = memchr(p, 1, (size_t)(row + across_ - p))); *p++ = 0)
            g->spare[k++] = (int32_t)((y0 + y) * w + x0 + p - row);
    const idx pieces = connect_few(g->spare, g->n, w, &s->runs, g->part);
    if (pieces < 0 || !grown(&s->kept, g->n)) return 0;
    int64_t *many = s->runs.first, largest = 0;
    if (pieces) memset(many, 0, (size_t)pieces * 8);
    for (idx i = 0; i < g->n; i++) many[g->part[i]]++;
    for (idx k = 0; k < pieces; k++) largest = many[k] > largest ? many[k] : largest;
    *whole = (double)largest >= o->whole * (double)g->n;
    const double least = o->crumb * (double)largest > o->least ? o->crumb * (double)largest : o->least;
    for (idx i = 0; i < g->n; i++)
        if ((double)many[g->part[i]] >= least) {
            s->kept.at[s->kept.n] = g->spare[i];
            s->kept.part[s->kept.n++] = who;
        }
    return 1;
}

static int trace_all(const ground_of *o, const int32_t *index, const int32_t *owner, idx n, const double *half,
                     idx count, outlining *s, uint8_t *whole)
{
    int32_t *order = malloc((size_t)(n + 1) * 4);
    placed *room = malloc((size_t)(2 * n + 1) * sizeof *room);
    int fine = order && room;
    if (fine) sort_by_digits(owner, n, order, room);
    free(room);
    for (idx who = 0, from = 0, to; fine && who < count; who++, from = to) {
        for (to = from; to < n && owner[order[to]] == who;) to++;
        fine = trace_one(o, index, order + from, to - from, half[who], (int32_t)who, s, whole + who);
    }
    free(order);
    return fine;
}

/* hairs.middles: steps of each pixel from an end of its part, the one furthest from its first pixel. `near` has room
   for 8 n. */
static void steps_from(const int32_t *near, idx n, const int32_t *start, idx count, int32_t *queue, int32_t *step)
{
    idx head = 0, tail = 0;
    for (idx i = 0; i < n; i++) step[i] = -1;
    for (idx k = 0; k < count; k++)
        if (start[k] >= 0 && step[start[k]] < 0) step[start[k]] = 0, queue[tail++] = start[k];
    while (head < tail) {
        const int32_t i = queue[head++];
        for (int k = 0; k < 8; k++) {
            const int32_t j = near[(idx)i * 8 + k];
            if (j >= 0 && step[j] < 0) step[j] = step[i] + 1, queue[tail++] = j;
        }
    }
    for (idx i = 0; i < n; i++) step[i] = step[i] < 0 ? 0 : step[i];
}

static void steps_along(const int32_t *index, const int32_t *part, idx n, idx count, idx width, int32_t *near,
                        int32_t *queue, int32_t *start, int32_t *step)
{
    const idx move[4] = {1, width - 1, width, width + 1};
    idx ahead[4] = {0};
    for (idx i = 0; i < 8 * n; i++) near[i] = -1;
    for (idx k = 0; k < count; k++) start[k] = -1;
    for (idx i = 0; i < n; i++) {
        if (start[part[i]] < 0) start[part[i]] = (int32_t)i;
        for (int k = 0; k < 4; k++) {
            while (ahead[k] < n && index[ahead[k]] < index[i] + move[k]) ahead[k]++;
            const idx j = ahead[k];
            if (j < n && index[j] == index[i] + move[k] && part[j] == part[i])
                near[i * 8 + k] = (int32_t)j, near[j * 8 + k + 4] = (int32_t)i;
        }
    }
    steps_from(near, n, start, count, queue, step);
    for (idx i = 0; i < n; i++)
        if (step[i] >= step[start[part[i]]]) start[part[i]] = (int32_t)i;
    steps_from(near, n, start, count, queue, step);
}

/* scratches.straightened. */
static void straightened(const int16_t *plane, idx h, idx w, int sign, const double *points, const double *normals, idx n,
                         idx reach, float *out)
{
    for (idx i = 0; i < n; i++)
        for (idx k = -reach; k <= reach; k++) {
            const idx x = (idx)rint(points[2 * i] + normals[2 * i] * (double)k),
                      y = (idx)rint(points[2 * i + 1] + normals[2 * i + 1] * (double)k);
            *out++ = (float)(sign * plane[within(y, 0, h - 1) * w + within(x, 0, w - 1)]);
        }
}

/* scratches._smooth: running means over 2 reach + 1 rows of c columns, sums added up one after the other; `room` for
   (n + 2 reach) c. */
#define SMOOTH(name, type)                                                                                                 \
    static void name(const type *v, idx n, idx c, idx reach, type *room, type *out)                                        \
    {                                                                                                                      \
        reach = reach < (n - 1) / 2 ? reach : (n - 1) / 2;                                                                 \
        if (reach < 1) {                                                                                                   \
            memcpy(out, v, (size_t)(n * c) * sizeof *v);                                                                   \
            return;                                                                                                        \
        }                                                                                                                  \
        const idx all = n + 2 * reach;                                                                                     \
        for (idx i = 0; i < all; i++)                                                                                      \
            for (idx k = 0; k < c; k++) {                                                                                  \
                const idx j = i - reach;                                                                                   \
                const type value = j < 0 ? 2 * v[k] - v[-j * c + k]                                                        \
                                   : j < n ? v[j * c + k] : 2 * v[(n - 1) * c + k] - v[(2 * (n - 1) - j) * c + k];         \
                room[i * c + k] = i ? room[(i - 1) * c + k] + value : value;                                               \
            }                                                                                                              \
        for (idx i = 0; i < n; i++)                                                                                        \
            for (idx k = 0; k < c; k++) {                                                                                  \
                const type upto = room[(i + 2 * reach) * c + k];                                                           \
                out[i * c + k] = (i ? upto - room[(i - 1) * c + k] : upto) / (type)(2 * reach + 1);                        \
            }                                                                                                              \
    }

SMOOTH(smooth, double)
SMOOTH(smooth_float, float)

/* scratches._across; `room` for 4 n + 4 reach. */
static void normals_of(const double *points, idx n, idx reach, double *room, double *out)
{
    double *p = room + 2 * (n + 2 * reach);
    smooth(points, n, 2, reach, room, p);
    for (idx i = 0; i < n; i++) {
        const double *a = p + 2 * (i > 0 ? i - 1 : 0), *b = p + 2 * (i + 1 < n ? i + 1 : n - 1);
        const double x = b[0] - a[0], y = b[1] - a[1], far = hypot(x, y), size = far > 1e-9 ? far : 1e-9;
        out[2 * i] = -(y / size);
        out[2 * i + 1] = x / size;
    }
}

/* numpy's sum of up to 15 numbers. */
#define SUMMED(name, type)                                                                                                 \
    static type name(const type *v, idx n)                                                                                 \
    {                                                                                                                      \
        type sum = 0;                                                                                                      \
        idx i = 0;                                                                                                         \
        if (n >= 8) sum = ((v[0] + v[1]) + (v[2] + v[3])) + ((v[4] + v[5]) + (v[6] + v[7])), i = 8;                        \
        for (; i < n; i++) sum += v[i];                                                                                    \
        return sum;                                                                                                        \
    }

SUMMED(summed_few, double)
SUMMED(summed_few_float, float)

/* scratches.centred, some way: by how much each of m points moves aside. `level` is their rows, 2 reach + 1 wide. */
static void moves_aside(const float *level, idx m, idx reach, idx most, double *move)
{
    enum { WIDE = 15 };
    const idx width = 2 * reach + 1, middle = reach - 1;
    for (idx i = 0; i < m; i++) {
        const float *v = level + i * width;
        float beside[2] = {-INFINITY, -INFINITY}, deep[WIDE], deepest = 0;
        double moment[WIDE];
        for (idx side = 0; side < 2; side++)
            for (idx j = 0, k = side ? middle + most + 1 : middle - most - 6; j < 6; j++, k++) {
                const float sum = v[k] + v[k + 1] + v[k + 2];
                beside[side] = sum > beside[side] ? sum : beside[side];
            }
        const float lower = beside[0] < beside[1] ? beside[0] : beside[1];
        for (idx j = 0; j < 2 * most + 1; j++) {
            const idx k = middle - most + j;
            const float d = lower - (v[k] + v[k + 1] + v[k + 2]);
            deep[j] = d > 0 ? d : 0;
            deepest = deep[j] > deepest ? deep[j] : deepest;
        }
        for (idx j = 0; j < 2 * most + 1; j++) {
            const float d = deep[j] - 0.5f * deepest;
            deep[j] = (d > 0 ? d : 0) + 1e-6f;
            moment[j] = (double)deep[j] * (double)(j - most);
        }
        move[i] = summed_few(moment, 2 * most + 1) / (double)summed_few_float(deep, 2 * most + 1);
    }
}

/* scratches.laid: `line` is n points; `points`, `normals` and `rows` have room for n + 2 out. By how many points it was drawn
   out at either end. */
typedef struct {
    idx h, w, reach, block, out;
    const int64_t *moves;
    idx turns;
    int sign;
} laying;

static int laid(const laying *o, const int16_t *plane, const double *line, idx n, double *points, double *normals, float *rows,
                idx drawn[2])
{
    enum { COARSE = 2, NEAR = 3, SOFT = 4, SMOOTH_ = 12 };
    const idx half = o->block / 2, m = (n + half - 1) / half, width = 2 * o->reach + 1, most_ = n + 2 * o->out;
    double *room = malloc((size_t)(6 * most_ + 8 * SMOOTH_ + 7 * m) * sizeof *room);
    float *level = malloc((size_t)((3 * m + 2 * SOFT) * width) * sizeof *level);
    if (!room || !level) {
        free(room);
        free(level);
        return 0;
    }
    double *some = room + 4 * most_ + 4 * SMOOTH_, *turned = some + 2 * m, *move = turned + 2 * m, *moved = move + m,
           *fine = moved + 2 * m;
    float *soft = level + m * width, *sums = soft + m * width;
    for (idx i = 0; i < m; i++) some[2 * i] = line[2 * i * half], some[2 * i + 1] = line[2 * i * half + 1];
    smooth(some, m, 2, COARSE, room, moved);
    memcpy(some, moved, (size_t)(2 * m) * sizeof *some);
    for (idx t = 0; t < o->turns; t++) {
        normals_of(some, m, NEAR, room, turned);
        straightened(plane, o->h, o->w, o->sign, some, turned, m, o->reach, level);
        smooth_float(level, m, width, SOFT, sums, soft);
        moves_aside(soft, m, o->reach, o->moves[t], move);
        smooth(move, m, 1, NEAR, room, moved);
        for (idx i = 0; i < 2 * m; i++) some[i] = some[i] + turned[i] * moved[i / 2];
    }
    for (idx i = 0; i < n; i++) {
        const idx j = i / half, on = i % half;
        for (idx k = 0; k < 2; k++) {
            const double a = some[2 * j + k];
            fine[2 * i + k] = on && j + 1 < m ? (some[2 * j + 2 + k] - a) / (double)half * (double)on + a : a;
        }
    }
    double *at = points + 2 * o->out;
    smooth(fine, n, 2, SOFT, room, at);
    const idx within_ = 3 * o->block < n - 1 ? 3 * o->block : n - 1;
    for (int back = 0; back < 2; back++) {
        const double *end = back ? at + 2 * (n - 1) : at, *inner = back ? end - 2 * within_ : end + 2 * within_;
        double x = end[0] - inner[0], y = end[1] - inner[1];
        const double far = hypot(x, y), size = far > 1e-9 ? far : 1e-9;
        x /= size, y /= size;
        idx k = 0;
        for (; k < o->out; k++) {
            double *to = back ? at + 2 * (n + k) : at - 2 * (k + 1);
            to[0] = end[0] + x * (double)(k + 1);
            to[1] = end[1] + y * (double)(k + 1);
            if (to[0] < 0 || to[1] < 0 || to[0] > (double)(o->w - 1) || to[1] > (double)(o->h - 1)) break;
        }
        drawn[back] = k / o->block * o->block;
    }
    const idx all = n + drawn[0] + drawn[1];
    memmove(points, at - 2 * drawn[0], (size_t)(2 * all) * sizeof *points);
    normals_of(points, all, SMOOTH_, room, normals);
    straightened(plane, o->h, o->w, o->sign, points, normals, all, o->reach, rows);
    free(room);
    free(level);
    return 1;
}

/* scratches.resampled: `along` has room for n; `out` for as many points as `begin` and `many` say. */
static idx length_of(const double *points, idx n, double *along)
{
    idx kept = 0;
    double last = 0;
    for (idx i = 0; i < n; i++) {
        const double step = i ? hypot(points[2 * i] - points[2 * i - 2], points[2 * i + 1] - points[2 * i - 1]) : 0;
        if (i && !(step > 0)) continue;
        last = i ? kept > 1 ? last + step : step : 0;
        along[2 * kept] = last;
        along[2 * kept + 1] = (double)i;
        kept++;
    }
    return kept;
}

static void resampled(const double *points, const double *along, idx kept, idx many, double *out)
{
    const double end = along[2 * kept - 2], begin = (end - (double)many) / 2;
    for (idx i = 0, j = 0; i < many; i++) {
        const double s = (double)i + begin;
        while (j + 1 < kept && along[2 * j + 2] <= s) j++;
        const double *a = points + 2 * (idx)along[2 * j + 1];
        for (idx k = 0; k < 2; k++) {
            if (s < 0) out[2 * i + k] = points[k];
            else if (j + 1 == kept || s == along[2 * j]) out[2 * i + k] = a[k];
            else {
                const double *b = points + 2 * (idx)along[2 * j + 3];
                out[2 * i + k] = (b[k] - a[k]) / (along[2 * j + 2] - along[2 * j]) * (s - along[2 * j]) + a[k];
            }
        }
    }
}

/* scratches._taken: how many of some points lie in cells that are taken; scratches.find: those around them are taken. */
static idx cell_of(const double *point, idx rows, idx columns, idx side)
{
    const idx y = (idx)floor(point[1] / (double)side) + 1, x = (idx)floor(point[0] / (double)side) + 1;
    return within(y, 0, rows - 1) * columns + within(x, 0, columns - 1);
}

static idx taken(const uint8_t *cells, idx rows, idx columns, idx side, const double *points, idx n)
{
    idx many = 0;
    for (idx i = 0; i < n; i++) many += cells[cell_of(points + 2 * i, rows, columns, side)] != 0;
    return many;
}

/* scratches._profile: means of so many rows each, less the middle of their sides, and the median of that in each column. */
static int rising_float(const void *a, const void *b)
{
    const float p = *(const float *)a, q = *(const float *)b;
    return (p > q) - (p < q);
}

static float middle_of(float *v, idx n)
{
    /* Hoare's selection of the upper middle; the lower one is the greatest below it. */
    const idx k = n / 2;
    for (idx low = 0, high = n - 1; low < high;) {
        const float pivot = v[k];
        idx i = low, j = high;
        do {
            while (v[i] < pivot) i++;
            while (pivot < v[j]) j--;
            if (i <= j) {
                const float swap = v[i];
                v[i++] = v[j];
                v[j--] = swap;
            }
        } while (i <= j);
        if (j < k) low = i;
        if (k < i) high = j;
    }
    float below_ = v[k];
    if (n % 2 == 0) {
        below_ = v[0];
        for (idx i = 1; i < k; i++) below_ = v[i] > below_ ? v[i] : below_;
    }
    return (below_ + v[k]) / 2;
}

static void profile(const float *rows, idx n, idx block, idx width, idx from, idx to, float *room, float *mean, float *out)
{
    for (idx i = 0; i < n; i++)
        for (idx k = 0; k < width; k++) {
            float sum = rows[i * block * width + k];
            for (idx j = 1; j < block; j++) sum += rows[(i * block + j) * width + k];
            mean[i * width + k] = sum / (float)block;
        }
    const idx many = to - from;
    for (idx i = 0; i < many; i++) {
        const float *m = mean + (from + i) * width;
        float side[2][6];
        for (idx k = 0; k < 6; k++) side[0][k] = m[2 + k], side[1][k] = m[width - 8 + k];
        for (idx k = 0; k < 2; k++) qsort(side[k], 6, sizeof(float), rising_float);
        const float ground = ((side[0][2] + side[0][3]) / 2 + (side[1][2] + side[1][3]) / 2) / 2;
        for (idx k = 0; k < width; k++) room[k * many + i] = m[k] - ground;
    }
    for (idx k = 0; k < width; k++) out[k] = middle_of(room + k * many, many);
}

/* hairs.contrast: means of the plane on three strips each of `along` by `wide` points. */
static void strip_means(const int16_t *plane, idx h, idx w, const double *points, const double *cosine,
                        const double *sine, idx n,
                        idx angles, const double *step, const double *aside, idx along, idx wide, double *out)
{
    for (idx i = 0; i < n; i++)
        for (idx k = 0; k < angles; k++)
            for (idx s = 0; s < 3; s++) {
                int64_t sum = 0;
                const double c = cosine[i * angles + k], e = sine[i * angles + k];
                for (idx a = 0; a < along; a++)
                    for (idx b = 0; b < wide; b++) {
                        const double on = step[i * along + a], off = aside[(i * 3 + s) * wide + b];
                        const idx x = (idx)rint(points[2 * i] + c * on - e * off),
                            y = (idx)rint(points[2 * i + 1] + e * on + c * off);
                        sum += plane[within(y, 0, h - 1) * w + within(x, 0, w - 1)];
                    }
                out[(s * n + i) * angles + k] = (double)sum / (double)(along * wide);
            }
}

/* What kriging knows of a pixel. */
enum { DIRT, RIM, CLEAR };

static inline float bent(float light, float toe)
{
    const float v = light * toe;
    float far = fabsf(v);
    far = far > 1e18f ? 1e18f : far;
    const float size = copysignf(logarithm(sqrtf(far * far + 1) + far), v);
    return v != v ? v : size;
}

/* repair._steps. */
static void steps_out(const float *planes, const uint8_t *trust, idx h, idx w, idx colours, const int64_t *at, idx n,
                      float toe,
                      float *out, float *number)
{
    for (idx i = 0; i < n; i++) {
        const idx x = at[i] % w, near[4] = {at[i] >= w ? at[i] - w : -1, at[i] < (h - 1) * w ? at[i] + w : -1,
                                            x > 0 ? at[i] - 1 : -1, x < w - 1 ? at[i] + 1 : -1};
        float many = 0, *o = out + i * colours;
        for (idx c = 0; c < colours; c++) o[c] = 0;
        for (int k = 0; k < 4; k++)
            if (near[k] >= 0 && trust[near[k]] == CLEAR) {
                many += 1;
                for (idx c = 0; c < colours; c++) o[c] += bent(planes[near[k] * colours + c], toe);
            }
        number[i] = many;
        for (idx c = 0; c < colours; c++) o[c] = bent(planes[at[i] * colours + c], toe) - o[c] / most(many, 1);
    }
}

/* kriging._windows, one window with its corner at top, left. */
WIDEST static void window_of(const float *planes, const uint8_t *trust, idx h, idx w, idx colours, idx top, idx left,
                             idx window, float toe, float *light, uint8_t *seen)
{
    const idx size = window * window, y0 = within(top, 0, h), y1 = within(top + window, 0, h), x0 = within(left, 0, w),
              x1 = within(left + window, 0, w);
    memset(light, 0, (size_t)(colours * size) * 4);
    memset(seen, DIRT, (size_t)size);
    for (idx y = y0; y < y1 && x0 < x1; y++) {
        const idx n = x1 - x0, at = (y - top) * window + x0 - left;
        const float *p = planes + (y * w + x0) * colours;
        memcpy(seen + at, trust + y * w + x0, (size_t)n);
        for (idx c = 0; c < colours; c++) {
            float *o = light + c * size + at;
            for (idx i = 0; i < n; i++) o[i] = p[i * colours + c];
            for (idx i = 0; i < n; i++) o[i] = bent(o[i], toe);
            /* Dirt may be as bright as it likes. */
            for (idx i = 0; i < n; i++) o[i] = seen[at + i] == DIRT ? 0 : o[i];
        }
    }
}

/* Products of a matrix turned over, (n, rows), and another, (n, columns), both of them in whole TALL and WIDE. */
enum { TALL = 2, WIDE = 24 };

WIDEST static void products(const float *restrict a, const float *restrict b, idx n, idx rows, idx columns,
                            float *restrict out)
{
    for (idx x = 0; x < columns; x += WIDE)
        for (idx y = 0; y < rows; y += TALL) {
            float sum[TALL][WIDE];
            for (idx k = 0; k < TALL; k++)
                for (idx j = 0; j < WIDE; j++) sum[k][j] = a[y + k] * b[x + j];
            for (idx i = 1; i < n; i++) {
                IN_TURN(i);
                for (idx k = 0; k < TALL; k++)
                    for (idx j = 0; j < WIDE; j++) sum[k][j] += a[i * rows + y + k] * b[i * columns + x + j];
            }
            for (idx k = 0; k < TALL; k++) memcpy(out + (y + k) * columns + x, sum[k], sizeof sum[k]);
        }
}

/* kriging._local_mean, one plane: `bell` (blocks, window), `sum` room for blocks * blocks, `tall` for blocks * window. */
WIDEST static void smoothed(const float *value, const float *clear, idx window, idx block, const float *bell, float *sum,
                            float *tall, float *out)
{
    const idx blocks = window / block;
    for (idx b = 0; b < blocks; b++) {
        for (idx x = 0; x < window; x++) tall[x] = 0;
        for (idx y = b * block; y < (b + 1) * block; y++)
            for (idx x = 0; x < window; x++) tall[x] += value[y * window + x] * clear[y * window + x];
        for (idx d = 0; d < blocks; d++) {
            float part = 0;
            for (idx x = d * block; x < (d + 1) * block; x++) part += tall[x];
            sum[d * blocks + b] = part;
        }
    }
    products(sum, bell, blocks, blocks, window, tall);
    products(bell, tall, blocks, window, window, out);
}

/* kriging._levelled, one window: light becomes what the local mean leaves of it. `room` is for two planes, blocks * blocks and
   blocks * window values. */
WIDEST static void levelled(float *light, const uint8_t *seen, idx colours, idx window, idx block, const float *bell,
                            float *room,
                            float *mean, float *grey, float *rest)
{
    const idx size = window * window, blocks = window / block;
    float *clear = room, *total = clear + size, *sum = total + size, *tall = sum + blocks * blocks;
    const float part = 1.0f / (float)colours;
    for (idx i = 0; i < size; i++) clear[i] = seen[i] == CLEAR;
    smoothed(clear, clear, window, block, bell, sum, tall, total);
    for (idx i = 0; i < size; i++) total[i] = 1 / (total[i] + 1e-20f), grey[i] = rest[i] = 0;
    for (idx c = 0; c < colours; c++) {
        float *v = light + c * size, *m = mean + c * size;
        smoothed(v, clear, window, block, bell, sum, tall, m);
        for (idx i = 0; i < size; i++) {
            m[i] *= total[i];
            grey[i] += v[i];
            v[i] -= m[i];
            rest[i] += v[i];
        }
    }
    for (idx i = 0; i < size; i++) grey[i] *= part, rest[i] *= part * clear[i];
}

/* kriging._correlation, two windows at a time, as the parts of one of complex numbers.

   A pass of a transform of `n` rows by the factors 2, 3 and 4 (Stockham's, which leaves them in order), of all columns at
   once:
   `turn` are the n-th roots of one. */
WIDEST static void pass(const float *restrict re, const float *restrict im, idx rows, idx stride, idx factor_, idx columns,
                        const float *restrict turn, idx n, float *restrict to_re, float *restrict to_im)
{
    const idx apart = rows / factor_, run = stride * columns;
    for (idx p = 0; p < apart; p++) {
        const float *restrict a = re + p * run, *restrict b = im + p * run;
        float *restrict c = to_re + p * factor_ * run, *restrict d = to_im + p * factor_ * run;
        const idx step = apart * run, first = 2 * (stride * p % n), second = 2 * (stride * p * 2 % n),
                  third = 2 * (stride * p * 3 % n);
        const float w1 = turn[first], v1 = turn[first + 1], w2 = turn[second], v2 = turn[second + 1], w3 = turn[third],
                    v3 = turn[third + 1];
        if (factor_ == 2)
            for (idx i = 0; i < run; i++) {
                const float x = a[i] - a[i + step], y = b[i] - b[i + step];
                c[i] = a[i] + a[i + step];
                d[i] = b[i] + b[i + step];
                c[i + run] = x * w1 - y * v1;
                d[i + run] = x * v1 + y * w1;
            }
        else if (factor_ == 3)
            for (idx i = 0; i < run; i++) {
                const float x = a[i + step] + a[i + 2 * step], y = b[i + step] + b[i + 2 * step];
                const float u = (a[i + step] - a[i + 2 * step]) * 0.86602540378f,
                        v = (b[i + step] - b[i + 2 * step]) * 0.86602540378f;
                const float e = a[i] - 0.5f * x, f = b[i] - 0.5f * y, x1 = e + v, y1 = f - u, x2 = e - v, y2 = f + u;
                c[i] = a[i] + x;
                d[i] = b[i] + y;
                c[i + run] = x1 * w1 - y1 * v1;
                d[i + run] = x1 * v1 + y1 * w1;
                c[i + 2 * run] = x2 * w2 - y2 * v2;
                d[i + 2 * run] = x2 * v2 + y2 * w2;
            }
        else
            for (idx i = 0; i < run; i++) {
                const float x = a[i] + a[i + 2 * step], y = b[i] + b[i + 2 * step], e = a[i] - a[i + 2 * step],
                            f = b[i] - b[i + 2 * step];
                const float u = a[i + step] + a[i + 3 * step], v = b[i + step] + b[i + 3 * step],
                            g = a[i + step] - a[i + 3 * step], h = b[i + step] - b[i + 3 * step];
                const float x1 = e + h, y1 = f - g, x2 = x - u, y2 = y - v, x3 = e - h, y3 = f + g;
                c[i] = x + u;
                d[i] = y + v;
                c[i + run] = x1 * w1 - y1 * v1;
                d[i + run] = x1 * v1 + y1 * w1;
                c[i + 2 * run] = x2 * w2 - y2 * v2;
                d[i + 2 * run] = x2 * v2 + y2 * w2;
                c[i + 3 * run] = x3 * w3 - y3 * v3;
                d[i + 3 * run] = x3 * v3 + y3 * w3;
            }
    }
}

/* All passes; planes 0 and 1 are transformed, and where they lie in the end are the planes of the pointers. */
static void transformed(float *plane[4], idx n, const float *turn)
{
    for (idx rows = n, stride = 1; rows > 1;) {
        const idx factor_ = rows % 4 == 0 ? 4 : rows % 3 == 0 ? 3 : 2;
        pass(plane[0], plane[1], rows, stride, factor_, n, turn, n, plane[2], plane[3]);
        for (int k = 0; k < 2; k++) {
            float *swap = plane[k];
            plane[k] = plane[k + 2];
            plane[k + 2] = swap;
        }
        rows /= factor_;
        stride *= factor_;
    }
}

static void turned_over(float *plane[4], idx n)
{
    for (int k = 0; k < 2; k++) {
        const float *from = plane[k];
        float *to = plane[k + 2];
        for (idx y = 0; y < n; y += 8)
            for (idx x = 0; x < n; x++)
                for (idx i = y; i < y + 8; i++) to[x * n + i] = from[i * n + x];
        plane[k + 2] = plane[k];
        plane[k] = to;
    }
}

/* Powers of the parts of complex numbers from the spectrum of the whole. */
static void powers(float *plane[4], idx n)
{
    const float *re = plane[0], *im = plane[1];
    for (idx y = 0; y < n; y++)
        for (idx x = 0; x < n; x++) {
            const idx at = y * n + x, other = (y ? n - y : 0) * n + (x ? n - x : 0);
            const float a = re[at] + re[other], b = im[at] - im[other], c = im[at] + im[other], d = re[other] - re[at];
            plane[2][at] = 0.25f * (a * a + b * b);
            plane[3][at] = 0.25f * (c * c + d * d);
        }
    for (int k = 0; k < 2; k++) {
        float *swap = plane[k];
        plane[k] = plane[k + 2];
        plane[k + 2] = swap;
    }
}

/* `bell` is the weight of each row and column, `room` four planes; of the second window there may be none. */
WIDEST static void weighted(const float *grey, const float *bell, idx n, float *out, float *square)
{
    double sum = 0;
    for (idx y = 0; y < n; y++) {
        float row = 0;
        for (idx x = 0; x < n; x++) out[y * n + x] = grey[y * n + x] * (bell[y] * bell[x]);
        for (idx x = 0; x < n; x++) row += out[y * n + x] * out[y * n + x];
        sum += row;
    }
    /* Both as strong, lest the rounding of one be as much as the other; what is no number is nothing to the other. */
    *square = (float)sum;
    const float part = 1 / sqrtf(most((float)sum, 1e-12f));
    for (idx i = 0; i < n * n; i++) out[i] = *square < INFINITY ? out[i] * part : 0;
}

static void correlated(const float *grey, int pair, const float *bell, idx n, idx inner, const float *turn, float *room,
                       float *table, float *square)
{
    float *plane[4] = {room, room + n * n, room + 2 * n * n, room + 3 * n * n};
    const idx span = 2 * inner - 1;
    weighted(grey, bell, n, plane[0], square);
    if (pair) weighted(grey + n * n, bell, n, plane[1], square + 1);
    else memset(plane[1], 0, (size_t)(n * n) * 4);
    transformed(plane, n, turn);
    turned_over(plane, n);
    transformed(plane, n, turn);
    powers(plane, n);
    /* Of what is as it is mirrored a transform back is one forth. */
    transformed(plane, n, turn);
    turned_over(plane, n);
    transformed(plane, n, turn);
    const float part = 1 / (float)(n * n);
    for (int k = 0; k <= pair; k++)
        for (idx y = 0; y < span; y++)
            for (idx x = 0; x < span; x++)
                table[(k * span + y) * span + x] = part * plane[k][(y + n + 1 - inner) % n * n + (x + n + 1 - inner) % n];
}

/* kriging._ring, one hole, whose pixels lie at y, x of the inner window. `far` has room for inner * inner, `key` for as
   many. */
typedef struct {
    idx window, inner, reach, points, enough, margin;
    const float *thin;
} ring_sizes;

enum { KEYS = 1024 };

static inline idx key_class(float key) { return key < 255 ? (idx)(key * 4) : KEYS - 1; }

static int rising(const void *a, const void *b)
{
    const float p = *(const float *)a, q = *(const float *)b;
    return (p > q) - (p < q);
}

static void ring_of(const ring_sizes *r, const uint8_t *seen, const int64_t *y, const int64_t *x, idx n, int rim, uint8_t *far,
                    float *key, int64_t *ring, uint8_t *ok, float *distance, uint8_t *near)
{
    const idx side = r->inner, size = side * side;
    const uint8_t *own = seen + r->margin * (r->window + 1);
    /* Steps to the hole, up to twice the side. */
    memset(far, 255, (size_t)size);
    for (idx i = 0; i < n; i++) far[(y[i] - r->margin) * side + x[i] - r->margin] = 0;
    for (idx i = 0; i < side; i++)
        for (idx j = 0; j < side; j++) {
            uint8_t *f = far + i * side + j;
            if (i && f[-side] < *f) *f = (uint8_t)(f[-side] + 1);
            if (j && f[-1] < *f) *f = (uint8_t)(f[-1] + 1);
        }
    for (idx i = side; i--;)
        for (idx j = side; j--;) {
            uint8_t *f = far + i * side + j;
            if (i + 1 < side && f[side] < *f) *f = (uint8_t)(f[side] + 1);
            if (j + 1 < side && f[1] < *f) *f = (uint8_t)(f[1] + 1);
        }
    idx known[256] = {0}, limit = 0;
    for (idx i = 0; i < side; i++)
        for (idx j = 0; j < side; j++) known[far[i * side + j]] += own[i * r->window + j] == CLEAR;
    /* A hole within a crowd has few known pixels near: look further for those. */
    for (idx step = 0, met = 0; step < side; step++) {
        met += known[step];
        limit = step;
        if (step >= r->reach && met >= r->enough) break;
    }
    idx count[KEYS] = {0}, many = 0;
    for (idx i = 0, k = 0; i < side; i++)
        for (idx j = 0; j < side; j++, k++) {
            const uint8_t it = own[i * r->window + j];
            near[k] = far[k] <= r->reach && far[k] <= limit;
            key[k] = -1;
            if (far[k] > limit || !(it == CLEAR || (it == RIM && rim))) continue;
            const float steps = (float)far[k] + 2;
            key[k] = steps * (steps > 4 || it == RIM ? r->thin[k] : 1);
            count[key_class(key[k])]++;
            many++;
        }
    /* Keys below `last` all count, and so many that are equal to it. */
    float last = INFINITY;
    idx equal = 0, filled = 0;
    if (many > r->points) {
        idx below_ = 0, class_ = 0, found = 0;
        while (below_ + count[class_] < r->points) below_ += count[class_++];
        float *same = key + size;
        for (idx k = 0; k < size; k++)
            if (key[k] >= 0 && key_class(key[k]) == class_) same[found++] = key[k];
        qsort(same, (size_t)found, sizeof *same, rising);
        last = same[r->points - below_ - 1];
        equal = r->points - below_;
        for (idx i = 0; i < found && same[i] < last; i++) equal--;
    }
    idx spare = many < r->points ? r->points - many : 0;
    for (idx k = 0; k < size && filled < r->points; k++) {
        const int counts = key[k] >= 0 && (key[k] < last || (key[k] == last && equal > 0));
        if (!counts && !(key[k] < 0 && spare > 0)) continue;
        if (counts) equal -= key[k] == last;
        else spare--;
        ok[filled] = (uint8_t)counts;
        distance[filled] = (float)(far[k] > limit ? 99 : far[k]) + 2;
        ring[filled++] = (k / side + r->margin) * r->window + k % side + r->margin;
    }
}

/* kriging._roughness and ._colour, one window: of the inner one, `inner` a side. `row` has room for (6 colours + 4) * inner.
   */
static float summed(const float *row, idx n)
{
    double sum = 0;
    for (idx i = 0; i < n; i++) sum += row[i];
    return (float)sum;
}

typedef struct {
    idx colours, window, margin, inner;
    float grey;
} look_sizes;

WIDEST static void noise_of(const look_sizes *s, const float *light, idx pitch, const float *clear, float *row, float *noise)
{
    const idx n = s->inner, plane = pitch * pitch;
    for (idx c = 0; c < s->colours; c++) noise[c] = 0;
    for (int down_ = 0; down_ < 2; down_++) {
        const idx rows = down_ ? n - 2 : n, columns = down_ ? n : n - 2, step = down_ ? 2 * pitch : 2,
                  mark = down_ ? 2 * n : 2;
        float *both = row + s->colours * n;
        memset(row, 0, (size_t)((s->colours + 1) * n) * 4);
        for (idx y = 0; y < rows; y++) {
            const float *m = clear + y * n;
            for (idx x = 0; x < columns; x++) both[x] += m[x] * m[x + mark];
            for (idx c = 0; c < s->colours; c++) {
                const float *v = light + c * plane + y * pitch;
                float *o = row + c * n;
                for (idx x = 0; x < columns; x++) {
                    const float d = (v[x + step] - v[x]) * (m[x] * m[x + mark]);
                    o[x] += d * d;
                }
            }
        }
        const float pairs = 4 * summed(both, n);
        for (idx c = 0; c < s->colours; c++) noise[c] += summed(row + c * n, n) / most(pairs, 1);
    }
}

/* `clear` is room for inner * inner, `rest` for colours * inner * inner. */
WIDEST static void looks_of(const look_sizes *s, const float *light, const uint8_t *seen, const uint8_t *near, float *clear,
                            float *rest, float *row, float *rough, float *share, float *noise)
{
    const idx n = s->inner, w = s->window, size = n * n, plane = w * w, c_ = s->colours;
    const float *own = light + s->margin * (w + 1);
    for (idx y = 0; y < n; y++)
        for (idx x = 0; x < n; x++) clear[y * n + x] = seen[(y + s->margin) * w + x + s->margin] == CLEAR;
    float *weights = row + c_ * n, *weight = weights + n, *tall = weight + n, *all = tall + n;
    memset(row, 0, (size_t)((c_ + 1) * n) * 4);
    for (idx y = 1; y + 1 < n; y++) {
        const float *m = clear + y * n;
        for (idx x = 0; x < n; x++) all[x] = m[x - n] * m[x] * m[x + n];
        for (idx x = 1; x + 1 < n; x++) weight[x] = all[x - 1] * all[x] * all[x + 1] * (float)near[y * n + x];
        for (idx x = 1; x + 1 < n; x++) weights[x] += weight[x];
        for (idx c = 0; c < c_; c++) {
            const float *v = own + c * plane + y * w;
            float *o = row + c * n;
            for (idx x = 0; x < n; x++) tall[x] = v[x - w] + v[x] + v[x + w];
            for (idx x = 1; x + 1 < n; x++)
                o[x] += fabsf(v[x] - (tall[x - 1] + tall[x] + tall[x + 1]) * (1.0f / 9)) * weight[x];
        }
    }
    const float known_rough = most(summed(weights, n), 1);
    for (idx c = 0; c < c_; c++) rough[c] = summed(row + c * n, n) / known_rough;
    if (c_ == 1) return;
    float total = 0, spread = 0, left = 0;
    noise_of(s, own, w, clear, row, share);
    for (idx c = 0; c < c_; c++) total += share[c] = 1 / most(share[c], 1e-9f);
    for (idx c = 0; c < c_; c++) share[c] /= total;
    float *first = row, *second = row + c_ * n, *known = second + c_ * n, *common = known + n;
    memset(row, 0, (size_t)((2 * c_ + 1) * n) * 4);
    for (idx y = 0; y < n; y++) {
        const float *m = clear + y * n;
        for (idx x = 0; x < n; x++) common[x] = 0, known[x] += m[x];
        for (idx c = 0; c < c_; c++)
            for (idx x = 0; x < n; x++) common[x] += share[c] * own[c * plane + y * w + x];
        for (idx c = 0; c < c_; c++) {
            float *o = rest + c * size + y * n, *p = first + c * n, *q = second + c * n;
            for (idx x = 0; x < n; x++) {
                o[x] = (own[c * plane + y * w + x] - common[x]) * m[x];
                p[x] += o[x];
                q[x] += o[x] * o[x];
            }
        }
    }
    const float number = most(summed(known, n), 1);
    for (idx c = 0; c < c_; c++) {
        const float mean = summed(first + c * n, n) / number;
        spread += summed(second + c * n, n) / number - mean * mean;
    }
    float *each = row + (c_ + 2) * n;
    noise_of(s, rest, n, clear, row, each);
    for (idx c = 0; c < c_; c++) left += each[c];
    left /= (float)c_;
    spread /= (float)c_;
    *noise = left / most(spread - left, left / s->grey + 1e-12f);
}

/* kriging._sources, one hole: of the first `places` moves that keep hole and ring within the window, the one to clear
   pixels around which the ring is most like this one; 0 where there is none. Points of no weight do not count. */
static int64_t source(const float *grey, const uint8_t *clear, idx window, const int64_t *hy, const int64_t *hx, idx n,
                      const int64_t *around, const float *share, idx of, int64_t *ring, float *weight, const int64_t *moves,
                      idx tries, idx places)
{
    int64_t top = window, left = window, bottom = -1, right = -1, best = 0;
    idx points = 0;
    for (idx i = 0; i < of; i++)
        if (share[i] > 0) ring[points] = around[i], weight[points++] = share[i];
    if (!points) return 0;
    for (idx i = 0; i < n + points; i++) {
        const int64_t y = i < n ? hy[i] : ring[i - n] / window, x = i < n ? hx[i] : ring[i - n] % window;
        top = y < top ? y : top, bottom = y > bottom ? y : bottom;
        left = x < left ? x : left, right = x > right ? x : right;
    }
    double least = INFINITY;
    for (idx k = 0, met = 0; k < tries && met < places; k++) {
        const int64_t dy = moves[2 * k], dx = moves[2 * k + 1], step = dy * window + dx;
        if (top + dy < 0 || bottom + dy >= window || left + dx < 0 || right + dx >= window) continue;
        met++;
        int free_ = 1;
        for (idx i = 0; free_ && i < points; i++) free_ = clear[ring[i] + step] == CLEAR;
        for (idx i = 0; free_ && i < n; i++) free_ = clear[hy[i] * window + hx[i] + step] == CLEAR;
        if (!free_) continue;
        double mean = 0, square = 0;
        for (idx i = 0; i < points; i++) {
            const double rest = (double)grey[ring[i] + step] - (double)grey[ring[i]], part = weight[i] * rest;
            mean += part;
            square += part * rest;
        }
        const double unlike = square - 0.75 * mean * mean;
        if (unlike < least) least = unlike, best = step;
    }
    return best;
}

/* kriging._detail, one hole: `number` has room for the box (rows + 2) x (columns + 2) around it, whose top left pixel is at
   top, left; `coarse` for 3 values a pixel and channel. */
static void detail(const float *rest, const float *fill, const int64_t *y, const int64_t *x, idx n, idx colours, int64_t top,
                   int64_t left, const float *rough, double grain, double part, double strength, double most_, double gain,
                   idx columns, int32_t *number, double *coarse, float *out)
{
    double *fine = coarse + n * colours, *own = fine + n * colours, square = 0;
    for (idx i = 0; i < n; i++) number[(y[i] - top + 1) * (columns + 2) + x[i] - left + 1] = (int32_t)(i + 1);
    for (idx i = 0; i < n; i++) {
        double level = 0, count = 0, sum[8] = {0}, of_fill[8] = {0};
        for (int dy = 0; dy < 3; dy++)
            for (int dx = 0; dx < 3; dx++) {
                const idx near = number[(y[i] - top + dy) * (columns + 2) + x[i] - left + dx];
                if (!near) continue;
                count += 1;
                for (idx c = 0; c < colours; c++) {
                    sum[c] += rest[(near - 1) * colours + c];
                    of_fill[c] += fill[(near - 1) * colours + c];
                }
            }
        for (idx c = 0; c < colours; c++) {
            coarse[i * colours + c] = sum[c] / count;
            fine[i * colours + c] = rest[i * colours + c] - sum[c] / count;
            own[i * colours + c] = fabs(fill[i * colours + c] - of_fill[c] / count);
            level += sum[c] / count;
        }
        level /= (double)colours;
        square += level * level;
    }
    const double size = sqrt(square / (double)n), share = part * (grain < size ? grain / size : 1);
    for (idx c = 0; c < colours; c++) {
        double mean = 0, there = 0;
        for (idx i = 0; i < n; i++) mean += fabs(fine[i * colours + c]), there += own[i * colours + c];
        mean = mean / (double)n + 1e-9;
        there /= (double)n;
        const double wanted = strength * rough[c], lacks = wanted * wanted - there * there;
        double factor = sqrt(lacks > 0 ? lacks : 0) / mean;
        factor = factor < gain ? factor : gain;
        const double limit = most_ * mean;
        for (idx i = 0; i < n; i++) {
            const double f = fine[i * colours + c], cut = f < -limit ? -limit : f > limit ? limit : f;
            out[i * colours + c] = (float)(cut * factor + coarse[i * colours + c] * share);
        }
    }
    for (idx i = 0; i < n; i++) number[(y[i] - top + 1) * (columns + 2) + x[i] - left + 1] = 0;
}

/* kriging._solved, one hole: the upper half of the system's n rows, `pitch` apart, of points and of COLUMNS right sides after
   them. Rows and points are in fours; what is over has no weight. */
enum { COLUMNS = 8, ROWS = 4 };

static void correlations(const float *table, const int64_t *place, idx points, idx n, const float *diagonal, idx pitch,
                         float *a)
{
    for (idx i = 0; i < n; i++) {
        float *o = a + i * pitch;
        for (idx j = 0; j <= i; j++) o[j] = 0;
        o[i] = i < points ? diagonal[i] : 1;
        for (idx j = i + 1; j < points; j++) o[j] = table[place[j] - place[i]];
        for (idx j = i < points ? points : i + 1; j < n; j++) o[j] = 0;
    }
}

/* The rows of an upper triangle that times its transpose is the system (Cholesky), and of the right sides what solves the
   equations of the transpose: both come of taking from each row its share of those above. */
WIDEST static void factored(float *a, idx n, idx pitch)
{
    for (idx k = 0; k < n; k += ROWS) {
        for (idx c = k; c < k + ROWS; c++) {
            float *restrict p = a + c * pitch;
            for (idx m = k; m < c; m++) {
                const float *restrict q = a + m * pitch, part = q[c];
                for (idx j = k / 8 * 8; j < pitch; j++) p[j] -= part * q[j];
            }
            const float part = 1 / sqrtf(p[c]);
            for (idx j = k / 8 * 8; j < pitch; j++) p[j] *= part;
        }
        const float *restrict r0 = a + k * pitch, *restrict r1 = r0 + pitch, *restrict r2 = r1 + pitch,
                *restrict r3 = r2 + pitch;
        for (idx i = k + ROWS; i < n; i++) {
            float *restrict p = a + i * pitch;
            const float b0 = r0[i], b1 = r1[i], b2 = r2[i], b3 = r3[i];
            for (idx j = i / 8 * 8; j < pitch; j++) p[j] -= (b0 * r0[j] + b1 * r1[j]) + (b2 * r2[j] + b3 * r3[j]);
        }
    }
}

/* Solutions (n, COLUMNS) of the equations of the triangle. */
WIDEST static void solutions(const float *restrict a, idx n, idx pitch, float *restrict out)
{
    for (idx i = n; i--;) {
        const float *restrict p = a + i * pitch, part = 1 / p[i];
        float one[COLUMNS], two[COLUMNS] = {0};
        idx j = i + 1;
        for (idx k = 0; k < COLUMNS; k++) one[k] = p[pitch - COLUMNS + k];
        for (; j + 1 < n; j += 2) {
            IN_TURN(j);
            for (idx k = 0; k < COLUMNS; k++) one[k] -= p[j] * out[j * COLUMNS + k];
            for (idx k = 0; k < COLUMNS; k++) two[k] -= p[j + 1] * out[(j + 1) * COLUMNS + k];
        }
        for (; j < n; j++) {
            IN_TURN(j);
            for (idx k = 0; k < COLUMNS; k++) one[k] -= p[j] * out[j * COLUMNS + k];
        }
        for (idx k = 0; k < COLUMNS; k++) out[i * COLUMNS + k] = (one[k] + two[k]) * part;
    }
}

/* kriging._predicted, one hole; `padded` has room for COLUMNS values a point. */
WIDEST static void predicted(const float *table, const int64_t *lag, idx n, const int64_t *place, idx points,
                             const float *solved, idx columns, float *padded, float *out)
{
    memset(padded, 0, (size_t)(points * COLUMNS) * 4);
    for (idx j = 0; j < points; j++) memcpy(padded + j * COLUMNS, solved + j * columns, (size_t)columns * 4);
    for (idx i = 0; i < n; i++) {
        float sum[COLUMNS] = {0};
        for (idx j = 0; j < points; j++) {
            IN_TURN(j);
            const float weight = table[lag[i] - place[j]];
            for (idx k = 0; k < COLUMNS; k++) sum[k] += weight * padded[j * COLUMNS + k];
        }
        memcpy(out + i * columns, sum, (size_t)columns * 4);
    }
}

/* --- what Python sees: every length and index is checked before a loop runs ------------------------------------------- */

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

static int below(const Py_buffer *b, idx n, idx end, const char *what)
{
    const int32_t *v = b->buf;
    int fine = 1;
    for (idx i = 0; i < n; i++) fine &= v[i] >= 0 && v[i] < end;
    return inside(fine, what);
}

static int rises(const Py_buffer *b, idx n)
{
    const int64_t *v = b->buf;
    int fine = n == 0 || v[0] >= 0;
    for (idx i = 1; i < n; i++) fine &= v[i] > v[i - 1];
    return inside(fine, "the index does not rise");
}

static int rises_on(const Py_buffer *b, idx n)
{
    const int32_t *v = b->buf;
    int fine = n == 0 || v[0] >= 0;
    for (idx i = 1; i < n; i++) fine &= v[i] > v[i - 1];
    return inside(fine, "the index does not rise");
}

/* Whether each of n whole numbers lies in low .. end - 1. */
static int between(const Py_buffer *b, idx n, int64_t low, int64_t end, const char *what)
{
    const int64_t *v = b->buf;
    int fine = 1;
    for (idx i = 0; i < n; i++) fine &= v[i] >= low && v[i] < end;
    return inside(fine, what);
}

/* Room for a loop, if all is well so far. */
static void *room_for(int fine, idx bytes)
{
    void *room = fine ? malloc((size_t)bytes + 1) : NULL;
    if (fine && !room) PyErr_NoMemory();
    return room;
}

static PyObject *done(int fine, Py_buffer *buffers[], size_t count)
{
    for (size_t i = 0; i < count; i++) PyBuffer_Release(buffers[i]);
    if (!fine) return NULL;
    Py_RETURN_NONE;
}
#define MANY(...) (sizeof((Py_buffer *[]){__VA_ARGS__}) / sizeof(Py_buffer *))
#define DONE(fine, ...) done(fine, (Py_buffer *[]){__VA_ARGS__}, MANY(__VA_ARGS__))

static PyObject *py_top_hat(PyObject *self, PyObject *args)
{
    Py_buffer plane, out, peaks, highs;
    idx h, w, side, tile, rows, columns, r0, r1;
    int sign, kept;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nninnnnnnpw*w*w*", &plane, &h, &w, &sign, &side, &tile, &rows, &columns, &r0, &r1, &kept,
                          &out, &peaks, &highs))
        return NULL;
    const int fine = inside(h > 0 && w > 0 && side > 0 && side % 2 == 1 && side <= 101, "no odd square on a picture")
                     && inside(tile > 0 && rows > 0 && columns > 0 && r0 >= 0 && r0 <= r1 && r1 <= rows
                               && (rows == 1 || rows * tile <= h) && (columns == 1 || columns * tile <= w), "no such tiles")
                     && holds(&plane, h * w, 2, "plane") && holds(&out, kept ? h * w : 0, 2, "out")
                     && holds(&peaks, rows * columns, 2, "peaks") && holds(&highs, kept ? rows * columns : 0, 2, "tops");
    const idx y0 = fine ? r0 * tile : 0, y1 = fine ? r1 == rows ? h : r1 * tile : 0, pad = 2 * (side - 1),
              most_ = (y1 - y0 + pad) * ((w < BLOCK ? w : BLOCK) + pad) + w;
    int16_t *room = room_for(fine, (most_ + (kept ? 0 : (y1 - y0) * w)) * 2);
    if (room) {
        Py_BEGIN_ALLOW_THREADS
        int16_t *to = kept ? (int16_t *)out.buf + y0 * w : room + most_;
        for (idx x = 0; x < w; x += BLOCK)
            top_hat(plane.buf, h, w, sign, side, y0, y1, x, x + BLOCK < w ? x + BLOCK : w, room, to);
        for (idx r = r0; r < r1; r++) {
            const idx top = r * tile, end = r == rows - 1 ? h : top + tile;
            tops(to, w, top - y0, end - y0, tile, columns, room, (int16_t *)peaks.buf + r * columns);
            if (kept) tops(plane.buf, w, top, end, tile, columns, room, (int16_t *)highs.buf + r * columns);
        }
        Py_END_ALLOW_THREADS
    }
    free(room);
    return DONE(room != NULL, &plane, &out, &peaks, &highs);
}

static PyObject *py_quantiles(PyObject *self, PyObject *args)
{
    Py_buffer padded, offsets, take, out;
    idx pitch, h, w, n, taken;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nnny*ny*nw*", &padded, &pitch, &h, &w, &offsets, &n, &take, &taken,
                          &out)) return NULL;
    int fine = inside(h > 0 && w > 0 && pitch >= w && n > 0, "no places") && holds(&offsets, n, 8, "offsets")
               && holds(&take, taken, 8, "take") && holds(&out, taken * h * w, 4, "out");
    const int64_t *at = offsets.buf, *which = take.buf;
    for (idx i = 0; fine && i < n; i++)
        fine = inside(at[i] >= 0 && ((h - 1) * pitch + w + at[i]) * 2 <= padded.len, "a neighbour lies outside");
    for (idx k = 0; fine && k < taken; k++) fine = inside(which[k] >= 0 && which[k] < n,
                                                          "there are not so many neighbours");
    int16_t *room = room_for(fine, n * BLOCK * 2);
    if (room) {
        Py_BEGIN_ALLOW_THREADS
        quantiles(padded.buf, pitch, h, w, at, n, which, taken, room, out.buf);
        Py_END_ALLOW_THREADS
    }
    free(room);
    return DONE(room != NULL, &padded, &offsets, &take, &out);
}

static PyObject *py_in_steps(PyObject *self, PyObject *args)
{
    Py_buffer density, out;
    idx from, to;
    float scale, low, high;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nnfffw*", &density, &from, &to, &scale, &low, &high, &out)) return NULL;
    const int fine = inside(from >= 0 && from <= to && low >= -32768 && high <= 32767, "no such steps")
                     && holds(&density, to, 4, "density") && holds(&out, to, 2, "out");
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        in_steps((float *)density.buf + from, to - from, scale, low, high, (int16_t *)out.buf + from);
        Py_END_ALLOW_THREADS
    }
    return DONE(fine, &density, &out);
}

static PyObject *py_halve(PyObject *self, PyObject *args)
{
    Py_buffer plane, out;
    idx height, width, y0, y1;
    int sign;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nnnniw*", &plane, &height, &width, &y0, &y1, &sign, &out)) return NULL;
    const int fine = inside(width >= 0 && y0 >= 0 && y0 <= y1 && 2 * y1 <= height, "no such rows")
                     && holds(&plane, height * width, 2, "plane") && holds(&out, y1 * (width / 2), 2, "out");
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        halve(plane.buf, width, width / 2, y0, y1, sign, out.buf);
        Py_END_ALLOW_THREADS
    }
    return DONE(fine, &plane, &out);
}

static PyObject *py_turned(PyObject *self, PyObject *args)
{
    Py_buffer plane, out;
    idx h, w;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nnw*", &plane, &h, &w, &out)) return NULL;
    const int fine = holds(&plane, h * w, 2, "plane") && holds(&out, h * w, 2, "out");
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        turned(plane.buf, h, w, out.buf);
        Py_END_ALLOW_THREADS
    }
    return DONE(fine, &plane, &out);
}

static PyObject *py_tile_sums(PyObject *self, PyObject *args)
{
    Py_buffer plane, mean, rough;
    idx h, w, tile, rows, columns, r0, r1;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nnnnnnnw*w*", &plane, &h, &w, &tile, &rows, &columns, &r0, &r1, &mean,
                          &rough)) return NULL;
    const int fine = inside(h > 0 && w > 0 && tile > 0 && columns > 0 && r0 >= 0 && r0 <= r1 && r1 <= rows
                            && (rows - 1) * tile < h && (columns == 1 || columns * tile <= w), "no such tiles")
                     && holds(&plane, h * w, 2, "plane") && holds(&mean, rows * columns, 8, "mean")
                     && holds(&rough, rows * columns, 8, "rough");
    int32_t *line = room_for(fine, 2 * w * 4);
    if (line) {
        Py_BEGIN_ALLOW_THREADS
        for (idx r = r0; r < r1; r++)
            tile_sums(plane.buf, w, r * tile, (r + 1) * tile < h ? (r + 1) * tile : h, tile, columns, line,
                      (int64_t *)mean.buf + r * columns, (int64_t *)rough.buf + r * columns);
        Py_END_ALLOW_THREADS
    }
    free(line);
    return DONE(line != NULL, &plane, &mean, &rough);
}

static PyObject *py_over(PyObject *self, PyObject *args)
{
    Py_buffer height, peaks, limit, threshold, index, value, at;
    idx h, w, tile, rows, columns, r0, r1, room, found = 0;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nnnnnnny*y*y*nw*w*w*", &height, &h, &w, &tile, &rows, &columns, &r0, &r1, &peaks,
                          &limit, &threshold, &room, &index, &value, &at))
        return NULL;
    const int fine = inside(h > 0 && w > 0 && h <= INT32_MAX / w && tile > 0 && columns > 0 && r0 >= 0 && r0 <= r1
                            && r1 <= rows && (rows == 1 || rows * tile <= h) && (columns == 1 || columns * tile <= w),
                            "no such tiles")
                     && holds(&height, h * w, 2, "height") && holds(&peaks, rows * columns, 2, "peaks")
                     && holds(&limit, rows * columns, 2, "limit") && holds(&threshold, rows * columns, 4, "threshold")
                     && holds(&index, room, 4, "index") && holds(&value, room, 4, "value") && holds(&at, room, 4, "at");
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        for (idx r = r0; r < r1; r++) {
            const idx first = r * columns, left = room > found ? room - found : 0, put = left ? found : 0;
            found += over(height.buf, w, r * tile, r == rows - 1 ? h : (r + 1) * tile, tile, columns,
                          (int16_t *)peaks.buf + first, (int16_t *)limit.buf + first, (float *)threshold.buf + first,
                          left, (int32_t *)index.buf + put, (float *)value.buf + put, (float *)at.buf + put);
        }
        Py_END_ALLOW_THREADS
    }
    PyObject *none = DONE(fine, &height, &peaks, &limit, &threshold, &index, &value, &at);
    if (!none) return NULL;
    Py_DECREF(none);
    return PyLong_FromSsize_t(found);
}

static PyObject *py_usual(PyObject *self, PyObject *args)
{
    Py_buffer plane, mean, size;
    idx h, w, beside, tile, rows, columns;
    int lowest;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nnninnnw*w*", &plane, &h, &w, &beside, &lowest, &tile, &rows, &columns, &mean,
                          &size)) return NULL;
    const int fine = inside(h > 0 && beside > 0 && w > 2 * beside && tile > 0 && rows > 0 && columns > 0
                            && (rows - 1) * tile < h
                            && columns * tile <= w && lowest >= -32768 && lowest < 0, "no such tiles")
                     && holds(&plane, h * w, 2, "plane") && holds(&mean, rows * columns, 4, "mean")
                     && holds(&size, rows * columns, 4, "size");
    int32_t *room = room_for(fine, w * 4 + (tile / 2 + 1) * w * 2);
    if (room) {
        Py_BEGIN_ALLOW_THREADS
        for (idx r = 0; r < rows; r++)
            usual(plane.buf, w, r * tile, (r + 1) * tile < h ? (r + 1) * tile : h, tile, columns, beside,
                  (int16_t)lowest,
                  (int16_t *)(room + w), room, (float *)mean.buf + r * columns, (float *)size.buf + r * columns);
        Py_END_ALLOW_THREADS
    }
    free(room);
    return DONE(room != NULL, &plane, &mean, &size);
}

static PyObject *py_even(PyObject *self, PyObject *args)
{
    Py_buffer plane, mean, scale, out;
    idx h, w, beside, tile, rows, columns;
    int lowest;
    float limit;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nnninnny*y*fw*", &plane, &h, &w, &beside, &lowest, &tile, &rows, &columns, &mean,
                          &scale, &limit, &out))
        return NULL;
    const int fine = inside(h > 0 && beside > 0 && w > 2 * beside && tile > 0 && rows > 0 && columns > 0
                            && limit < 32767
                            && lowest >= -32768 && lowest < 0, "no such tiles")
                     && holds(&plane, h * w, 2, "plane") && holds(&mean, rows * columns, 4, "mean")
                     && holds(&scale, rows * columns, 4, "scale") && holds(&out, h * w, 2, "out");
    float *room = room_for(fine, w * 10);
    if (room) {
        Py_BEGIN_ALLOW_THREADS
        for (idx y = 0; y < h; y++) {
            const idx r = y / tile < rows ? y / tile : rows - 1;
            for (idx x = 0; (y % tile == 0 || y == 0) && x < w; x++) {
                const idx c = r * columns + (x / tile < columns ? x / tile : columns - 1);
                room[x] = ((float *)mean.buf)[c];
                room[w + x] = ((float *)scale.buf)[c];
            }
            even((int16_t *)plane.buf + y * w, w, beside, (int16_t)lowest, room, room + w, limit,
                 (int16_t *)(room + 2 * w), (int16_t *)out.buf + y * w);
        }
        Py_END_ALLOW_THREADS
    }
    free(room);
    return DONE(room != NULL, &plane, &mean, &scale, &out);
}

static PyObject *py_pieces(PyObject *self, PyObject *args)
{
    Py_buffer value, out;
    idx strips, w, piece, found = 0;
    int least;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nnniw*", &value, &strips, &w, &piece, &least, &out)) return NULL;
    const int fine = inside(strips >= 0 && w > 0 && piece > 1 && piece <= 32 && (piece & (piece - 1)) == 0 && least > 0,
                            "no such piece")
                     && holds(&value, strips * piece * w, 2, "value") && holds(&out, strips * w, 32, "out");
    int16_t *room = fine ? calloc((size_t)(4 * piece * (BLOCK + piece - 1) + BLOCK), 2) : NULL;
    if (room) {
        Py_BEGIN_ALLOW_THREADS
        for (idx s = 0; s < strips; s++)
            found += strip((int16_t *)value.buf + s * piece * w, w, piece, least, room, (double)s,
                           (double *)out.buf + 4 * found);
        Py_END_ALLOW_THREADS
        free(room);
    } else if (fine)
        PyErr_NoMemory();
    if (!room) return DONE(0, &value, &out);
    Py_XDECREF(DONE(1, &value, &out));
    return PyLong_FromSsize_t(found);
}

static PyObject *py_link(PyObject *self, PyObject *args)
{
    Py_buffer found, score, back;
    idx n;
    bends b;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nnnddddddw*w*", &found, &n, &b.gap, &b.piece, &b.miss, &b.turn, &b.wider, &b.missed,
                          &b.turned, &b.skipped, &score, &back))
        return NULL;
    const double *f = found.buf;
    int fine = inside(b.piece > 1 && b.gap >= 0, "no such pieces") && holds(&found, n, 32, "found") && holds(&score, n,
        8, "score")
               && holds(&back, n, 8, "back");
    for (idx i = 0; fine && i < n; i++)
        fine = inside(f[4 * i] >= (i ? f[4 * i - 4] : 0) && f[4 * i] < 1e6, "the strips do not rise");
    const idx strips = fine && n ? (idx)f[4 * n - 4] + 1 : 0;
    idx *start = room_for(fine, (strips + 1) * (idx)sizeof *start);
    if (start) {
        Py_BEGIN_ALLOW_THREADS
        chain_up(f, n, strips, &b, start, score.buf, back.buf);
        Py_END_ALLOW_THREADS
    }
    free(start);
    return DONE(start != NULL, &found, &score, &back);
}

static PyObject *py_trace(PyObject *self, PyObject *args)
{
    Py_buffer order, score, back, total, pieces, member;
    idx n, count = 0;
    double least;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*y*y*ndw*w*w*", &order, &score, &back, &n, &least, &total, &pieces,
                          &member)) return NULL;
    int fine = holds(&order, n, 8, "order") && holds(&score, n, 8, "score") && holds(&back, n, 8, "back")
               && holds(&total, n, 8, "total") && holds(&pieces, n, 8, "pieces") && holds(&member, n, 8, "member");
    for (idx i = 0; fine && i < n; i++) {
        const int64_t o = ((int64_t *)order.buf)[i], b = ((int64_t *)back.buf)[i];
        fine = inside(o >= 0 && o < n && b >= -1 && b < n, "there is no such piece");
    }
    uint8_t *taken = room_for(fine, n);
    fine = taken != NULL;
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        count = trace(order.buf, score.buf, back.buf, n, least, taken, total.buf, pieces.buf, member.buf);
        Py_END_ALLOW_THREADS
    }
    free(taken);
    PyObject *none = DONE(fine, &order, &score, &back, &total, &pieces, &member);
    if (!none) return NULL;
    Py_DECREF(none);
    return PyLong_FromSsize_t(count);
}

static PyObject *py_vote(PyObject *self, PyObject *args)
{
    Py_buffer found, weight, distances, votes;
    idx n, many, h, w, cell, columns;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*y*ny*nnnnnw*", &found, &weight, &n, &distances, &many, &h, &w, &cell, &columns,
                          &votes)) return NULL;
    const int fine = inside(h > 0 && w > 0 && cell > 0 && columns > (w - 1) / cell, "no such cells") && holds(&found, n,
        40, "found")
                     && holds(&weight, n, 8, "weight") && holds(&distances, many, 8, "distances")
                     && holds(&votes, ((h - 1) / cell + 1) * columns, 8, "votes");
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        vote(found.buf, weight.buf, n, distances.buf, many, h, w, cell, columns, votes.buf);
        Py_END_ALLOW_THREADS
    }
    return DONE(fine, &found, &weight, &distances, &votes);
}

static PyObject *py_closed(PyObject *self, PyObject *args)
{
    Py_buffer score, out;
    idx k, n, m;
    float bent;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nnnfw*", &score, &k, &n, &m, &bent, &out)) return NULL;
    const int fine = inside(k >= 0 && n > 0 && m > 0, "no ways") && holds(&score, k * n * m, 4, "score") && holds(&out,
        k * n, 8, "out");
    float *room = room_for(fine, 8 * (m + 2) + 2 * n * m);
    if (room) {
        Py_BEGIN_ALLOW_THREADS
        for (idx i = 0; i < k; i++)
            closed((float *)score.buf + i * n * m, n, m, bent, room, (int8_t *)(room + 2 * (m + 2)),
                   (int64_t *)out.buf + i * n);
        Py_END_ALLOW_THREADS
    }
    free(room);
    return DONE(room != NULL, &score, &out);
}

static PyObject *py_connect(PyObject *self, PyObject *args)
{
    Py_buffer index, part;
    idx n, width, count = 0;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nnw*", &index, &n, &width, &part)) return NULL;
    const int fine = inside(width > 0, "no columns") && holds(&index, n, 8, "index") && holds(&part, n, 8, "part")
                     && rises(&index, n);
    int64_t *room = room_for(fine, 3 * n * 8);
    if (room) {
        Py_BEGIN_ALLOW_THREADS
        count = connect(index.buf, n, width, room, room + n, room + 2 * n, part.buf);
        Py_END_ALLOW_THREADS
    }
    free(room);
    PyObject *none = DONE(room != NULL, &index, &part);
    if (!none) return NULL;
    Py_DECREF(none);
    return PyLong_FromSsize_t(count);
}

static PyObject *py_beside(PyObject *self, PyObject *args)
{
    Py_buffer index, at;
    idx n, move;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nnw*", &index, &n, &move, &at)) return NULL;
    const int fine = holds(&index, n, 8, "index") && holds(&at, n, 8, "at") && rises(&index, n);
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        beside(index.buf, n, move, at.buf);
        Py_END_ALLOW_THREADS
    }
    return DONE(fine, &index, &at);
}

static PyObject *py_ordered(PyObject *self, PyObject *args)
{
    Py_buffer value, order;
    idx n;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nw*", &value, &n, &order)) return NULL;
    const int fine = holds(&value, n, 4, "value") && holds(&order, n, 4, "order") && inside(n <= INT32_MAX, "too many")
                     && below(&value, n, (idx)INT32_MAX + 1, "a number lies below 0");
    placed *room = room_for(fine, 2 * n * (idx)sizeof(placed));
    if (room) {
        Py_BEGIN_ALLOW_THREADS
        sort_by_digits(value.buf, n, order.buf, room);
        Py_END_ALLOW_THREADS
    }
    free(room);
    return DONE(room != NULL, &value, &order);
}

static PyObject *py_rung(PyObject *self, PyObject *args)
{
    Py_buffer index, value, threshold, kept, owner, at;
    idx n, width, least, greatest, base, pixels = 0, parts = 0, left = 0;
    float share, cap;
    (void)self;
    if (!PyArg_ParseTuple(args, "w*w*w*nnnnffnw*w*w*", &index, &value, &threshold, &n, &width, &least, &greatest,
                          &share, &cap, &base, &kept, &owner, &at))
        return NULL;
    int fine = inside(width > 0, "no columns") && inside(base >= 0 && base + n <= INT32_MAX, "too many parts")
               && holds(&index, n, 4, "index") && holds(&value, n, 4, "value") && holds(&threshold, n, 4, "threshold")
               && holds(&kept, n, 4, "kept") && holds(&owner, n, 4, "owner") && holds(&at, n, 4, "at")
                   && rises_on(&index, n);
    int32_t *room = room_for(fine, n * 4);
    fine = room != NULL;
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        left = rung(index.buf, value.buf, threshold.buf, n, width, least, greatest, share, cap, room, (int32_t)base,
                    kept.buf, owner.buf, at.buf, &pixels, &parts);
        Py_END_ALLOW_THREADS
        if (left < 0) PyErr_NoMemory();
    }
    free(room);
    PyObject *none = DONE(fine && left >= 0, &index, &value, &threshold, &kept, &owner, &at);
    if (!none) return NULL;
    Py_DECREF(none);
    return Py_BuildValue("nnn", pixels, parts, left);
}

static PyObject *py_tally(PyObject *self, PyObject *args)
{
    Py_buffer index, part, threshold, height, plane, out;
    idx n, size, count;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*y*y*ny*y*nw*n", &index, &part, &threshold, &n, &height, &plane, &size, &out,
                          &count)) return NULL;
    const int fine = holds(&index, n, 4, "index") && holds(&part, n, 4, "part") && holds(&threshold, n, 4, "threshold")
                     && holds(&height, size, 2, "height") && holds(&plane, size, 2, "plane") && holds(&out,
                         count * TALLIES, 8, "out")
                     && below(&index, n, size, "a pixel lies outside") && below(&part, n, count,
                                                                                "there is no such part");
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        tally(index.buf, part.buf, threshold.buf, n, height.buf, plane.buf, out.buf);
        Py_END_ALLOW_THREADS
    }
    return DONE(fine, &index, &part, &threshold, &height, &plane, &out);
}

static PyObject *py_some(PyObject *self, PyObject *args)
{
    Py_buffer index, part, threshold, take, number, kept, owner, at;
    idx n, count, room;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*y*y*ny*y*nnw*w*w*", &index, &part, &threshold, &n, &take, &number, &count, &room, &kept,
                          &owner, &at))
        return NULL;
    int fine = holds(&index, n, 4, "index") && holds(&part, n, 4, "part") && holds(&threshold, n, 4, "threshold")
               && holds(&take, count, 1, "take") && holds(&number, count, 4, "number") && holds(&kept, room, 4, "kept")
               && holds(&owner, room, 4, "owner") && holds(&at, room, 4, "at") && below(&part, n, count, "there is no such part");
    if (fine) {
        idx many;
        Py_BEGIN_ALLOW_THREADS
        many = some(index.buf, part.buf, threshold.buf, n, take.buf, number.buf, room, kept.buf, owner.buf, at.buf);
        Py_END_ALLOW_THREADS
        fine = inside(many == room, "there are not so many pixels");
    }
    return DONE(fine, &index, &part, &threshold, &take, &number, &kept, &owner, &at);
}

static PyObject *py_form(PyObject *self, PyObject *args)
{
    Py_buffer index, part, out;
    idx n, count, width;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*y*nnnw*", &index, &part, &n, &count, &width, &out)) return NULL;
    const int fine = inside(width > 0 && width <= INT32_MAX, "no columns") && holds(&index, n, 4, "index")
        && holds(&part, n, 4, "part")
                     && holds(&out, count * FORMS, 8, "out") && below(&part, n, count, "there is no such part");
    moments *room = room_for(fine, count * (idx)sizeof *room);
    if (room) {
        Py_BEGIN_ALLOW_THREADS
        form(index.buf, part.buf, n, count, width, room, out.buf);
        Py_END_ALLOW_THREADS
    }
    free(room);
    return DONE(room != NULL, &index, &part, &out);
}

static PyObject *py_across(PyObject *self, PyObject *args)
{
    Py_buffer index, part, threshold, height, plane, full, total, contrast, out, uneven;
    outline o;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*y*y*ny*y*nny*nniny*nw*w*w*", &index, &part, &threshold, &o.n, &height, &plane, &o.rows,
                          &o.width, &full, &o.full_rows, &o.full_width, &o.sign, &o.scale, &total, &o.count, &contrast,
                          &out, &uneven))
        return NULL;
    int fine = inside(o.rows > 0 && o.width > 0 && o.full_rows > 0 && o.full_width > 0 && o.scale > 0
                      && o.width <= INT32_MAX / o.rows,
                      "no pixels")
               && holds(&index, o.n, 4, "index") && holds(&part, o.n, 4, "part") && holds(&threshold, o.n, 4,
                                                                                          "threshold")
               && holds(&height, o.rows * o.width, 2, "height") && holds(&plane, o.rows * o.width, 2, "plane")
               && holds(&full, o.full_rows * o.full_width, 2, "full") && holds(&total, o.count, 4, "total")
               && holds(&contrast, o.count, 4, "contrast") && holds(&out, o.count * EDGES, 8, "out")
               && holds(&uneven, 2 * o.count, 8, "uneven")
               && below(&index, o.n, o.rows * o.width, "a pixel lies outside")
               && below(&part, o.n, o.count, "there is no such part");
    if (fine) {
        o.index = index.buf, o.part = part.buf, o.threshold = threshold.buf;
        o.height = height.buf, o.plane = plane.buf, o.full = full.buf;
        Py_BEGIN_ALLOW_THREADS
        fine = across(&o, total.buf, contrast.buf, out.buf, uneven.buf);
        Py_END_ALLOW_THREADS
        if (!fine) PyErr_NoMemory();
    }
    return DONE(fine, &index, &part, &threshold, &height, &plane, &full, &total, &contrast, &out, &uneven);
}

static PyObject *py_falls(PyObject *self, PyObject *args)
{
    Py_buffer index, part, threshold, height, area, linear, back, bias, tables, low, steps, apart, out;
    outline o = {0};
    channels_of c = {0};
    idx enough, deep;
    int known;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*y*y*ny*nny*nnnny*nnpy*y*y*y*y*y*nw*", &index, &part, &threshold, &o.n, &height, &o.rows,
                          &o.width, &area, &o.count, &enough, &deep, &o.scale, &linear, &c.rows, &c.width, &known, &back, &bias,
                          &tables, &low, &steps, &apart, &c.fine, &out))
        return NULL;
    int fine = inside(o.rows > 0 && o.width > 0 && o.scale > 0 && o.width <= INT32_MAX / o.rows && enough > 0
                      && o.rows * o.scale <= c.rows && o.width * o.scale <= c.width && c.width <= INT32_MAX / c.rows,
                      "no such level")
               && holds(&index, o.n, 4, "index") && holds(&part, o.n, 4, "part") && holds(&threshold, o.n, 4, "threshold")
               && holds(&height, o.rows * o.width, 2, "height") && holds(&area, o.count, 4, "area")
               && holds(&linear, c.rows * c.width, 12, "linear") && holds(&out, 4 * o.count, 8, "out")
               && below(&index, o.n, o.rows * o.width, "a pixel lies outside")
               && below(&part, o.n, o.count, "there is no such part");
    if (fine && known)
        fine = inside(c.fine > 1, "no tables") && holds(&back, 9, 4, "back") && holds(&bias, 3, 4, "bias")
               && holds(&tables, 3 * c.fine, 4, "tables") && holds(&low, 3, 4, "low") && holds(&steps, 3, 4, "steps")
               && holds(&apart, 9, 4, "apart");
    int32_t *room = room_for(fine, o.count * 16 + o.n);
    if (room) {
        o.index = index.buf, o.part = part.buf, o.threshold = threshold.buf, o.height = height.buf;
        c.linear = linear.buf, c.back = known ? back.buf : NULL, c.bias = bias.buf, c.tables = tables.buf;
        c.low = low.buf, c.steps = steps.buf, c.apart = apart.buf;
        Py_BEGIN_ALLOW_THREADS
        falls(&o, &c, area.buf, enough, deep, (uint8_t *)(room + 4 * o.count), room, out.buf);
        Py_END_ALLOW_THREADS
    }
    free(room);
    return DONE(room != NULL, &index, &part, &threshold, &height, &area, &linear, &back, &bias, &tables, &low, &steps,
                &apart, &out);
}

static PyObject *py_claim(PyObject *self, PyObject *args)
{
    Py_buffer index, owner, rank, place, best;
    idx n, count, found = 0;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*y*ny*nw*w*", &index, &owner, &n, &rank, &count, &place, &best)) return NULL;
    const int fine = holds(&index, n, 4, "index") && holds(&owner, n, 4, "owner") && holds(&rank, count, 4, "rank")
                     && holds(&place, n, 4, "place") && holds(&best, n, 4, "best")
                     && below(&index, n, INT32_MAX, "a place lies outside")
                     && below(&owner, n, count, "there is no such owner");
    placed *room = room_for(fine, 2 * n * (idx)sizeof *room);
    if (room) {
        Py_BEGIN_ALLOW_THREADS
        found = claim(index.buf, owner.buf, n, rank.buf, room, place.buf, best.buf);
        Py_END_ALLOW_THREADS
    }
    free(room);
    PyObject *none = DONE(room != NULL, &index, &owner, &rank, &place, &best);
    Py_XDECREF(none);
    return none ? PyLong_FromSsize_t(found) : NULL;
}

static PyObject *py_covers(PyObject *self, PyObject *args)
{
    Py_buffer index, owner, y, x, step, out;
    idx n, width, count, side;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*y*nny*y*y*nnw*", &index, &owner, &n, &width, &y, &x, &step, &count, &side, &out)) return NULL;
    const int fine = inside(width > 0 && count >= 0 && side > 0, "no cuts") && holds(&index, n, 8, "index")
                     && holds(&owner, n, 8, "owner") && holds(&y, count, 8, "y") && holds(&x, count, 8, "x")
                     && holds(&step, count, 8, "step") && holds(&out, count * side * side, 4, "out")
                     && between(&owner, n, 0, count, "there is no such part") && between(&step, count, 1, INT32_MAX, "no step");
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        covers(index.buf, owner.buf, n, width, y.buf, x.buf, step.buf, count, side, out.buf);
        Py_END_ALLOW_THREADS
    }
    return DONE(fine, &index, &owner, &y, &x, &step, &out);
}

static PyObject *py_in_units(PyObject *self, PyObject *args)
{
    Py_buffer density, cover, ground, per_contrast, per_grain, out;
    idx count, size;
    float in_contrast, in_grain;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*y*nny*y*y*ffw*", &density, &cover, &count, &size, &ground, &per_contrast, &per_grain,
                          &in_contrast, &in_grain, &out))
        return NULL;
    const int fine = inside(count >= 0 && size >= 0, "no cuts") && holds(&density, count * size, 2, "density")
                     && holds(&cover, count * size, 4, "cover") && holds(&ground, count, 4, "ground")
                     && holds(&per_contrast, count, 4, "contrast") && holds(&per_grain, count, 4, "grain")
                     && holds(&out, 3 * count * size, 4, "out");
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        in_units(density.buf, cover.buf, count, size, ground.buf, per_contrast.buf, per_grain.buf, in_contrast, in_grain,
                 out.buf);
        Py_END_ALLOW_THREADS
    }
    return DONE(fine, &density, &cover, &ground, &per_contrast, &per_grain, &out);
}

static PyObject *py_outlines(PyObject *self, PyObject *args)
{
    Py_buffer full, index, owner, opening, half, whole;
    ground_of o;
    outlining s = {0};
    idx n, count;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nninny*y*y*ny*ndddw*", &full, &o.rows, &o.width, &o.sign, &o.own_width, &o.scale, &index,
                          &owner, &opening, &n, &half, &count, &o.crumb, &o.least, &o.whole, &whole))
        return NULL;
    int fine = inside(o.rows > 0 && o.width > 0 && o.width <= INT32_MAX / o.rows && o.own_width > 0 && o.scale > 0
                      && o.scale <= o.rows && o.own_width <= o.width / o.scale, "no such level")
               && holds(&full, o.rows * o.width, 2, "full") && holds(&index, n, 4, "index") && holds(&owner, n, 4, "owner")
               && holds(&opening, n, 4, "opening") && holds(&half, count, 8, "half") && holds(&whole, count, 1, "whole")
               && below(&index, n, o.rows / o.scale * o.own_width, "a pixel lies outside")
               && below(&owner, n, count, "there is no such part");
    if (fine) {
        o.full = full.buf, o.opening = opening.buf;
        Py_BEGIN_ALLOW_THREADS
        fine = trace_all(&o, index.buf, owner.buf, n, half.buf, count, &s, whole.buf);
        Py_END_ALLOW_THREADS
        if (!fine) PyErr_NoMemory();
    }
    PyObject *out = NULL, *none = DONE(fine, &full, &index, &owner, &opening, &half, &whole);
    if (none) {
        Py_DECREF(none);
        PyObject *at = PyByteArray_FromStringAndSize((char *)s.kept.at, s.kept.n * 4);
        PyObject *of = PyByteArray_FromStringAndSize((char *)s.kept.part, s.kept.n * 4);
        out = at && of ? PyTuple_Pack(2, at, of) : NULL;
        Py_XDECREF(at);
        Py_XDECREF(of);
    }
    growing *each[2] = {&s.found, &s.kept};
    for (int k = 0; k < 2; k++) {
        free(each[k]->at);
        free(each[k]->ground);
        free(each[k]->part);
        free(each[k]->spare);
    }
    no_runs(&s.runs);
    free(s.seen);
    return out;
}

static PyObject *py_steps_along(PyObject *self, PyObject *args)
{
    Py_buffer index, part, step;
    idx n, count, width;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*y*nnnw*", &index, &part, &n, &count, &width, &step)) return NULL;
    const int fine = inside(width > 0 && n <= INT32_MAX, "no columns") && holds(&index, n, 4, "index") && holds(&part,
        n, 4, "part")
                     && holds(&step, n, 4, "step") && rises_on(&index, n) && below(&part, n, count,
                                                                                   "there is no such part");
    int32_t *room = room_for(fine, (9 * n + count) * 4);
    if (room) {
        Py_BEGIN_ALLOW_THREADS
        steps_along(index.buf, part.buf, n, count, width, room, room + 8 * n, room + 9 * n, step.buf);
        Py_END_ALLOW_THREADS
    }
    free(room);
    return DONE(room != NULL, &index, &part, &step);
}

static PyObject *py_straightened(PyObject *self, PyObject *args)
{
    Py_buffer plane, points, normals, out;
    idx h, w, n, reach;
    int sign;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nniy*y*nnw*", &plane, &h, &w, &sign, &points, &normals, &n, &reach, &out)) return NULL;
    const int fine = inside(h > 0 && w > 0 && n >= 0 && reach >= 0, "no points") && holds(&plane, h * w, 2, "plane")
                     && holds(&points, 2 * n, 8, "points") && holds(&normals, 2 * n, 8, "normals")
                     && holds(&out, n * (2 * reach + 1), 4, "out");
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        straightened(plane.buf, h, w, sign, points.buf, normals.buf, n, reach, out.buf);
        Py_END_ALLOW_THREADS
    }
    return DONE(fine, &plane, &points, &normals, &out);
}

static PyObject *py_laid(PyObject *self, PyObject *args)
{
    Py_buffer plane, line, moves, points, normals, rows;
    laying o;
    idx n, drawn[2] = {0, 0};
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nniy*ny*nnnnw*w*w*", &plane, &o.h, &o.w, &o.sign, &line, &n, &moves, &o.turns, &o.reach,
                          &o.block, &o.out, &points, &normals, &rows))
        return NULL;
    int fine = inside(o.h > 0 && o.w > 0 && n >= 2 && o.turns > 0 && o.reach >= 8 && o.block >= 2 && o.block % 2 == 0
                      && o.out >= 0 && n > o.block / 2, "no such line")
               && holds(&plane, o.h * o.w, 2, "plane") && holds(&line, 2 * n, 8, "line") && holds(&moves, o.turns, 8, "moves")
               && holds(&points, 2 * (n + 2 * o.out), 8, "points") && holds(&normals, 2 * (n + 2 * o.out), 8, "normals")
               && holds(&rows, (n + 2 * o.out) * (2 * o.reach + 1), 4, "rows")
               && between(&moves, o.turns, 0, o.reach - 7 < 7 ? o.reach - 6 : 8, "too far a move");
    if (fine) {
        o.moves = moves.buf;
        Py_BEGIN_ALLOW_THREADS
        fine = laid(&o, plane.buf, line.buf, n, points.buf, normals.buf, rows.buf, drawn);
        Py_END_ALLOW_THREADS
        if (!fine) PyErr_NoMemory();
    }
    PyObject *none = DONE(fine, &plane, &line, &moves, &points, &normals, &rows);
    Py_XDECREF(none);
    return none ? Py_BuildValue("nn", drawn[0], drawn[1]) : NULL;
}

static PyObject *py_resampled(PyObject *self, PyObject *args)
{
    Py_buffer points;
    idx n, block, many = 0;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nn", &points, &n, &block)) return NULL;
    const int fine = inside(n > 0 && block > 0, "no points") && holds(&points, 2 * n, 8, "points");
    double *along = room_for(fine, 2 * n * 8);
    PyObject *out = NULL;
    if (along) {
        const idx kept = length_of(points.buf, n, along);
        many = (idx)along[2 * kept - 2] / block * block;
        many = many > block ? many : block;
        if ((out = PyByteArray_FromStringAndSize(NULL, 16 * many)))
            resampled(points.buf, along, kept, many, (double *)PyByteArray_AS_STRING(out));
    }
    free(along);
    PyBuffer_Release(&points);
    return out;
}

static PyObject *py_taken(PyObject *self, PyObject *args)
{
    Py_buffer cells, points;
    idx rows, columns, side, n, many = 0;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nnny*n", &cells, &rows, &columns, &side, &points, &n)) return NULL;
    const int fine = inside(rows > 0 && columns > 0 && side > 0, "no cells") && holds(&cells, rows * columns, 1, "cells")
                     && holds(&points, 2 * n, 8, "points");
    if (fine) many = taken(cells.buf, rows, columns, side, points.buf, n);
    PyObject *none = DONE(fine, &cells, &points);
    Py_XDECREF(none);
    return none ? PyLong_FromSsize_t(many) : NULL;
}

static PyObject *py_profile(PyObject *self, PyObject *args)
{
    Py_buffer rows, mean, out;
    idx n, block, width, from, to;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nnnnnw*w*", &rows, &n, &block, &width, &from, &to, &mean, &out)) return NULL;
    const int fine = inside(n > 0 && block > 0 && width >= 16 && from >= 0 && from < to && to <= n, "no such rows")
                     && holds(&rows, n * block * width, 4, "rows") && holds(&mean, n * width, 4, "mean")
                     && holds(&out, width, 4, "out");
    float *room = room_for(fine, (to - from) * width * 4);
    if (room) {
        Py_BEGIN_ALLOW_THREADS
        profile(rows.buf, n, block, width, from, to, room, mean.buf, out.buf);
        Py_END_ALLOW_THREADS
    }
    free(room);
    return DONE(room != NULL, &rows, &mean, &out);
}

static PyObject *py_strip_means(PyObject *self, PyObject *args)
{
    Py_buffer plane, points, cosine, sine, step, aside, out;
    idx h, w, n, angles, along, wide;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nny*y*y*nny*y*nnw*", &plane, &h, &w, &points, &cosine, &sine, &n, &angles, &step,
                          &aside, &along, &wide, &out))
        return NULL;
    const int fine = inside(h > 0 && w > 0 && along > 0 && wide > 0 && n >= 0 && angles >= 0, "no points")
                     && holds(&plane, h * w, 2, "plane") && holds(&points, 2 * n, 8, "points") && holds(&cosine,
                         n * angles, 8, "cosine")
                     && holds(&sine, n * angles, 8, "sine") && holds(&step, n * along, 8, "step")
                     && holds(&aside, 3 * n * wide, 8, "aside") && holds(&out, 3 * n * angles, 8, "out");
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        strip_means(plane.buf, h, w, points.buf, cosine.buf, sine.buf, n, angles, step.buf, aside.buf, along, wide,
                    out.buf);
        Py_END_ALLOW_THREADS
    }
    return DONE(fine, &plane, &points, &cosine, &sine, &step, &aside, &out);
}

static PyObject *py_convolved(PyObject *self, PyObject *args)
{
    Py_buffer x, kernel, add, out;
    idx n, rows, columns, inputs, side, step, kept;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nnnny*y*nnnw*", &x, &n, &rows, &columns, &inputs, &kernel, &add, &side, &step, &kept, &out))
        return NULL;
    const int fine = inside(n >= 0 && rows > 0 && columns > 0 && inputs > 0 && side > 0 && side % 2 && step > 0 && kept > 0
                            && kept <= OUTPUTS, "no such layer")
                     && holds(&x, n * rows * columns * inputs, 4, "x") && holds(&kernel, side * side * inputs * kept, 4,
                                                                                "kernel")
                     && holds(&add, kept, 4, "add") && holds(&out, n * (rows / step) * (columns / step) * kept, 4, "out");
    const idx outputs = (kept + 7) / 8 * 8, weights = side * side * inputs, own = rows * columns * inputs,
              room = (rows + side - 1) * (columns + side - 1) * inputs;
    float *padded = fine ? calloc((size_t)(room + (weights + 1) * outputs), 4) : NULL;
    if (padded) {
        float *wide = padded + room, *more = wide + weights * outputs;
        Py_BEGIN_ALLOW_THREADS
        for (idx i = 0; i < weights; i++) memcpy(wide + i * outputs, (float *)kernel.buf + i * kept, (size_t)kept * 4);
        memcpy(more, add.buf, (size_t)kept * 4);
        for (idx i = 0; i < n; i++)
            convolved((float *)x.buf + i * own, rows, columns, inputs, side, step, wide, more, outputs, kept, padded,
                      (float *)out.buf + i * (rows / step) * (columns / step) * kept);
        Py_END_ALLOW_THREADS
    } else if (fine)
        PyErr_NoMemory();
    free(padded);
    return DONE(padded != NULL, &x, &kernel, &add, &out);
}

static PyObject *py_walk(PyObject *self, PyObject *args)
{
    Py_buffer values, edges, start, features, limits, leaves, stops, least, total;
    idx n, columns, begin, many;
    int depth;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nny*y*y*y*y*iny*y*nw*", &values, &n, &columns, &edges, &start, &features, &limits, &leaves,
                          &depth, &begin, &stops, &least, &many, &total))
        return NULL;
    const idx nodes = ((idx)1 << (depth > 0 && depth <= 8 ? depth : 0)) - 1;
    int fine = inside(depth > 0 && depth <= 8 && columns > 0 && columns <= 256 && many > 0 && begin >= 0, "no such trees")
               && holds(&stops, many, 8, "stops") && holds(&least, many, 4, "least")
               && holds(&values, n * columns, 4, "values") && holds(&start, columns + 1, 8, "start")
               && holds(&total, n, 4, "total");
    const int64_t *s = start.buf, *ends = stops.buf;
    for (idx k = 0; fine && k < many; k++) fine = inside(ends[k] >= (k ? ends[k - 1] : begin), "the stops do not rise");
    const idx trees = fine ? ends[many - 1] : 0;
    fine = fine && holds(&features, trees * nodes, 1, "features") && holds(&limits, trees * nodes, 1, "limits")
           && holds(&leaves, trees * (nodes + 1), 4, "leaves")
           && inside(s[0] >= 0 && (idx)(edges.len / 4) >= s[columns], "the edges end too soon");
    for (idx j = 0; fine && j < columns; j++) fine = inside(s[j + 1] >= s[j] && s[j + 1] - s[j] < 256, "too many edges");
    const uint8_t *f = features.buf;
    for (idx i = fine ? begin * nodes : 0; fine && i < trees * nodes; i++)
        fine = inside(f[i] < columns, "there is no such column");
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        walk(values.buf, n, columns, edges.buf, s, f, limits.buf, leaves.buf, depth, begin, ends, least.buf, many, total.buf);
        Py_END_ALLOW_THREADS
    }
    return DONE(fine, &values, &edges, &start, &features, &limits, &leaves, &stops, &least, &total);
}

static PyObject *py_steps_out(PyObject *self, PyObject *args)
{
    Py_buffer planes, trust, at, out, number;
    idx h, w, colours, n;
    float toe;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*y*nnny*nfw*w*", &planes, &trust, &h, &w, &colours, &at, &n, &toe, &out,
                          &number)) return NULL;
    const int fine = inside(h > 0 && w > 0 && colours > 0, "no picture") && holds(&planes, h * w * colours, 4, "planes")
                     && holds(&trust, h * w, 1, "trust") && holds(&at, n, 8, "at") && holds(&out, n * colours, 4, "out")
                     && holds(&number, n, 4, "number") && between(&at, n, 0, h * w, "a pixel lies outside");
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        steps_out(planes.buf, trust.buf, h, w, colours, at.buf, n, toe, out.buf, number.buf);
        Py_END_ALLOW_THREADS
    }
    return DONE(fine, &planes, &trust, &at, &out, &number);
}

static PyObject *py_surroundings(PyObject *self, PyObject *args)
{
    Py_buffer planes, trust, corner, bell, light, seen, mean, grey, rest;
    idx h, w, colours, n, window, block;
    float toe;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*y*nnny*nnnfy*w*w*w*w*w*", &planes, &trust, &h, &w, &colours, &corner, &n, &window, &block,
                          &toe,
                          &bell, &light, &seen, &mean, &grey, &rest))
        return NULL;
    int fine = inside(h > 0 && w > 0 && colours > 0 && n >= 0 && block > 0 && window > 0 && window < 1000
                      && window % block == 0
                      && window % WIDE == 0 && window / block % TALL == 0, "no window");
    const idx size = window * window, blocks = fine ? window / block : 0;
    fine = fine && holds(&planes, h * w * colours, 4, "planes") && holds(&trust, h * w, 1, "trust")
           && holds(&corner, 2 * n, 8, "corner") && holds(&bell, blocks * window, 4, "bell")
           && holds(&light, n * colours * size, 4, "light") && holds(&seen, n * size, 1, "seen")
           && holds(&mean, n * colours * size, 4, "mean") && holds(&grey, n * size, 4, "grey") && holds(&rest, n * size, 4,
                                                                                                        "rest");
    float *room = room_for(fine, (2 * size + blocks * (blocks + window)) * 4);
    if (room) {
        const int64_t *at = corner.buf;
        Py_BEGIN_ALLOW_THREADS
        for (idx i = 0; i < n; i++) {
            float *own = (float *)light.buf + i * colours * size;
            uint8_t *known = (uint8_t *)seen.buf + i * size;
            window_of(planes.buf, trust.buf, h, w, colours, at[2 * i], at[2 * i + 1], window, toe, own, known);
            levelled(own, known, colours, window, block, bell.buf, room, (float *)mean.buf + i * colours * size,
                     (float *)grey.buf + i * size, (float *)rest.buf + i * size);
        }
        Py_END_ALLOW_THREADS
    }
    free(room);
    return DONE(room != NULL, &planes, &trust, &corner, &bell, &light, &seen, &mean, &grey, &rest);
}

static PyObject *py_correlation(PyObject *self, PyObject *args)
{
    Py_buffer grey, bell, table, square;
    idx n, window, inner;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nnny*w*w*", &grey, &n, &window, &inner, &bell, &table, &square)) return NULL;
    idx rest = window > 0 && window < 1000 && window % 8 == 0 ? window : 0;
    while (rest > 0 && rest % 2 == 0) rest /= 2;
    while (rest > 0 && rest % 3 == 0) rest /= 3;
    const idx size = window * window, span = 2 * inner - 1;
    const int fine = inside(n >= 0 && rest == 1 && inner > 0 && inner <= window, "no window") && holds(&grey, n * size, 4,
                                                                                                       "grey")
                     && holds(&bell, window, 4, "bell") && holds(&table, n * span * span, 4, "table")
                     && holds(&square, n, 4, "square");
    float *turn = room_for(fine, (2 * window + 4 * size) * 4);
    if (turn) {
        Py_BEGIN_ALLOW_THREADS
        for (idx k = 0; k < window; k++) {
            turn[2 * k] = (float)cos(-2 * 3.14159265358979323846 * (double)k / (double)window);
            turn[2 * k + 1] = (float)sin(-2 * 3.14159265358979323846 * (double)k / (double)window);
        }
        for (idx i = 0; i < n; i += 2)
            correlated((float *)grey.buf + i * size, i + 1 < n, bell.buf, window, inner, turn, turn + 2 * window,
                       (float *)table.buf + i * span * span, (float *)square.buf + i);
        Py_END_ALLOW_THREADS
    }
    free(turn);
    return DONE(turn != NULL, &grey, &bell, &table, &square);
}

/* Whether the pixels of n holes, those of hole i from begin[i] on, are held and lie in low .. end - 1. */
static int holes_within(const Py_buffer *begin, idx n, const Py_buffer *ys, const Py_buffer *xs, int64_t low, int64_t end)
{
    if (!inside(n >= 0, "no holes") || !holds(begin, n + 1, 8, "begin")) return 0;
    const int64_t *b = begin->buf;
    int fine = inside(b[0] >= 0, "no pixels");
    for (idx i = 0; fine && i < n; i++) fine = inside(b[i + 1] >= b[i], "the pixels do not rise");
    return fine && holds(ys, b[n], 8, "y") && holds(xs, b[n], 8, "x")
           && between(ys, b[n], low, end, "a pixel lies outside") && between(xs, b[n], low, end, "a pixel lies outside");
}

static PyObject *py_ring(PyObject *self, PyObject *args)
{
    Py_buffer seen, begin, ys, xs, rim, thin, ring, ok, distance, near;
    idx n;
    ring_sizes r;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nnnnnny*y*y*y*y*w*w*w*w*", &seen, &n, &r.window, &r.inner, &r.reach, &r.points, &r.enough,
                          &begin, &ys, &xs, &rim, &thin, &ring, &ok, &distance, &near))
        return NULL;
    int fine = inside(n >= 0 && r.window > 0 && r.window < 1000 && r.inner > 0 && r.inner < 120 && r.inner <= r.window
                      && r.reach >= 0 && r.reach < r.inner && r.points > 0 && r.points <= r.inner * r.inner, "no window");
    const idx size = r.inner * r.inner;
    r.margin = (r.window - r.inner) / 2;
    r.thin = thin.buf;
    fine = fine && holds(&seen, n * r.window * r.window, 1, "seen") && holds(&rim, n, 1, "rim") && holds(&thin, size, 4,
                                                                                                         "thin")
           && holes_within(&begin, n, &ys, &xs, r.margin, r.margin + r.inner) && holds(&ring, n * r.points, 8, "ring")
           && holds(&ok, n * r.points, 1, "ok") && holds(&distance, n * r.points, 4, "distance") && holds(&near, n * size, 1,
                                                                                                          "near");
    float *key = room_for(fine, 2 * size * 4 + size);
    if (key) {
        const int64_t *b = begin.buf;
        Py_BEGIN_ALLOW_THREADS
        for (idx i = 0; i < n; i++)
            ring_of(&r, (uint8_t *)seen.buf + i * r.window * r.window, (int64_t *)ys.buf + b[i], (int64_t *)xs.buf + b[i],
                    b[i + 1] - b[i], ((uint8_t *)rim.buf)[i], (uint8_t *)(key + 2 * size), key,
                            (int64_t *)ring.buf + i * r.points,
                    (uint8_t *)ok.buf + i * r.points, (float *)distance.buf + i * r.points, (uint8_t *)near.buf + i * size);
        Py_END_ALLOW_THREADS
    }
    free(key);
    return DONE(key != NULL, &seen, &begin, &ys, &xs, &rim, &thin, &ring, &ok, &distance, &near);
}

static PyObject *py_looks(PyObject *self, PyObject *args)
{
    Py_buffer light, seen, near, rough, share, noise;
    idx n;
    look_sizes s;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*y*y*nnnnfw*w*w*", &light, &seen, &near, &n, &s.colours, &s.window, &s.inner, &s.grey,
                          &rough,
                          &share, &noise))
        return NULL;
    int fine = inside(n >= 0 && s.colours > 0 && s.window > 0 && s.window < 1000 && s.inner > 2 && s.inner <= s.window
                      && s.grey > 0, "no window");
    const idx plane = s.window * s.window, size = s.inner * s.inner;
    s.margin = (s.window - s.inner) / 2;
    fine = fine && holds(&light, n * s.colours * plane, 4, "light") && holds(&seen, n * plane, 1, "seen")
           && holds(&near, n * size, 1, "near") && holds(&rough, n * s.colours, 4, "rough")
           && holds(&share, n * s.colours, 4, "share") && holds(&noise, n, 4, "noise");
    float *room = room_for(fine, ((s.colours + 1) * size + (2 * s.colours + 4) * s.inner) * 4);
    if (room) {
        Py_BEGIN_ALLOW_THREADS
        for (idx i = 0; i < n; i++)
            looks_of(&s, (float *)light.buf + i * s.colours * plane, (uint8_t *)seen.buf + i * plane,
                     (uint8_t *)near.buf + i * size, room, room + size, room + (s.colours + 1) * size,
                     (float *)rough.buf + i * s.colours, (float *)share.buf + i * s.colours, (float *)noise.buf + i);
        Py_END_ALLOW_THREADS
    }
    free(room);
    return DONE(room != NULL, &light, &seen, &near, &rough, &share, &noise);
}

static PyObject *py_sources(PyObject *self, PyObject *args)
{
    Py_buffer grey, seen, begin, ys, xs, ring, weight, moves, out;
    idx n, window, points, tries, places;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*y*nny*y*y*y*y*ny*nnw*", &grey, &seen, &n, &window, &begin, &ys, &xs, &ring, &weight,
                          &points,
                          &moves, &tries, &places, &out))
        return NULL;
    const idx size = window * window;
    int fine = inside(window > 0 && window < 1000 && points >= 0, "no window") && holes_within(&begin, n, &ys, &xs, 0, window)
               && holds(&grey, n * size, 4, "grey") && holds(&seen, n * size, 1, "seen") && holds(&ring, n * points, 8, "ring")
               && holds(&weight, n * points, 4, "weight") && holds(&moves, 2 * tries, 8, "moves") && holds(&out, n, 8, "out")
               && between(&ring, n * points, 0, size, "a pixel lies outside")
               && between(&moves, 2 * tries, 1 - window, window, "a move leads outside");
    int64_t *room = room_for(fine, points * 12);
    if (room) {
        const int64_t *b = begin.buf;
        Py_BEGIN_ALLOW_THREADS
        for (idx i = 0; i < n; i++)
            ((int64_t *)out.buf)[i] = source((float *)grey.buf + i * size, (uint8_t *)seen.buf + i * size, window,
                                             (int64_t *)ys.buf + b[i], (int64_t *)xs.buf + b[i], b[i + 1] - b[i],
                                             (int64_t *)ring.buf + i * points, (float *)weight.buf + i * points, points, room,
                                             (float *)(room + points), moves.buf, tries, places);
        Py_END_ALLOW_THREADS
    }
    free(room);
    return DONE(room != NULL, &grey, &seen, &begin, &ys, &xs, &ring, &weight, &moves, &out);
}

static PyObject *py_detail(PyObject *self, PyObject *args)
{
    Py_buffer rest, fill, begin, ys, xs, rough, grain, out;
    idx n, colours;
    double part, strength, cap, gain;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*y*y*y*y*nny*y*ddddw*", &rest, &fill, &begin, &ys, &xs, &n, &colours, &rough, &grain, &part,
                          &strength, &cap, &gain, &out))
        return NULL;
    const int fine = inside(colours > 0 && colours <= 8, "no such channels") && holes_within(&begin, n, &ys, &xs, 0, 1000);
    const int64_t *b = begin.buf, *y = ys.buf, *x = xs.buf;
    idx many = 0, most_ = 0;
    const int full = fine && holds(&rest, b[n] * colours, 4, "rest") && holds(&fill, b[n] * colours, 4, "fill")
                     && holds(&rough, n * colours, 4, "rough") && holds(&grain, n, 8, "grain")
                     && holds(&out, b[n] * colours, 4, "out");
    int64_t *box = room_for(full, 3 * n * 8);
    for (idx i = 0; box && i < n; i++) {
        int64_t top = 1000, left = 1000, bottom = 0, right = 0;
        for (int64_t k = b[i]; k < b[i + 1]; k++) {
            top = y[k] < top ? y[k] : top, bottom = y[k] > bottom ? y[k] : bottom;
            left = x[k] < left ? x[k] : left, right = x[k] > right ? x[k] : right;
        }
        if (b[i + 1] == b[i]) continue;
        box[3 * i] = top, box[3 * i + 1] = left, box[3 * i + 2] = right - left + 1;
        many = b[i + 1] - b[i] > many ? b[i + 1] - b[i] : many;
        const idx size = (bottom - top + 3) * (right - left + 3);
        most_ = size > most_ ? size : most_;
    }
    double *room = room_for(box != NULL, 3 * many * colours * 8);
    int32_t *number = room ? calloc((size_t)(most_ + 1), 4) : NULL;
    if (number) {
        Py_BEGIN_ALLOW_THREADS
        for (idx i = 0; i < n; i++)
            if (b[i + 1] > b[i])
                detail((float *)rest.buf + b[i] * colours, (float *)fill.buf + b[i] * colours, y + b[i], x + b[i],
                       b[i + 1] - b[i], colours, box[3 * i], box[3 * i + 1], (float *)rough.buf + i * colours,
                       ((double *)grain.buf)[i], part, strength, cap, gain, box[3 * i + 2], number, room,
                       (float *)out.buf + b[i] * colours);
        Py_END_ALLOW_THREADS
    } else if (room)
        PyErr_NoMemory();
    free(box);
    const int done_ = number != NULL;
    free(number);
    free(room);
    return DONE(done_, &rest, &fill, &begin, &ys, &xs, &rough, &grain, &out);
}

/* Whether the lags from all points of a hole to so many others, which lie at `lag`, are in a table of so many. */
static int in_table(const int64_t *lag, idx n, const int64_t *place, idx points, idx lags)
{
    int64_t low = INT64_MAX, high = INT64_MIN, first = INT64_MAX, last = INT64_MIN;
    for (idx i = 0; i < points; i++) low = place[i] < low ? place[i] : low, high = place[i] > high ? place[i] : high;
    for (idx i = 0; i < n; i++) first = lag[i] < first ? lag[i] : first, last = lag[i] > last ? lag[i] : last;
    return n == 0 || points == 0 || inside(low >= 0 && high < lags && first >= high && last - low < lags, "a lag lies outside");
}

static PyObject *py_solve(PyObject *self, PyObject *args)
{
    Py_buffer table, place, ok, diagonal, right, out;
    idx n, lags, points, zero, columns;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nny*nny*y*y*nw*", &table, &n, &lags, &place, &points, &zero, &ok, &diagonal, &right,
                          &columns,
                          &out))
        return NULL;
    int fine = inside(n >= 0 && lags > 0 && points >= 0 && points <= 1000 && zero >= 0 && zero < lags && columns > 0
                      && columns <= COLUMNS, "no table")
               && holds(&table, n * lags, 4, "table") && holds(&place, n * points, 8, "place") && holds(&ok, n * points, 1,
                                                                                                        "ok")
               && holds(&diagonal, n * points, 4, "diagonal") && holds(&right, n * points * columns, 4, "right")
               && holds(&out, n * points * columns, 4, "out");
    const idx most_ = (points + ROWS - 1) / ROWS * ROWS, widest = (most_ + 7) / 8 * 8 + COLUMNS;
    int64_t *lag = room_for(fine, points * 8);
    fine = lag != NULL;
    for (idx i = 0; fine && i < n; i++) {
        const int64_t *p = (int64_t *)place.buf + i * points;
        for (idx j = 0; j < points; j++) lag[j] = p[j] + zero;
        fine = in_table(lag, points, p, points, lags);
    }
    float *room = room_for(fine, (most_ * (widest + COLUMNS) + points) * 4);
    if (room) {
        float *both = room + most_ * widest, *some = both + most_ * COLUMNS;
        Py_BEGIN_ALLOW_THREADS
        for (idx i = 0; i < n; i++) {
            const idx from = i * points;
            const uint8_t *counts = (uint8_t *)ok.buf + from;
            float *to = (float *)out.buf + from * columns;
            idx m = 0;
            for (idx j = 0; j < points; j++)
                if (counts[j]) lag[m] = ((int64_t *)place.buf)[from + j], some[m++] = ((float *)diagonal.buf)[from + j];
            const idx rows = (m + ROWS - 1) / ROWS * ROWS, pitch = (rows + 7) / 8 * 8 + COLUMNS;
            memset(room, 0, (size_t)(rows * pitch) * 4);
            correlations((float *)table.buf + i * lags + zero, lag, m, rows, some, pitch, room);
            for (idx j = 0, k = 0; j < points; j++)
                if (counts[j]) memcpy(room + ++k * pitch - COLUMNS, (float *)right.buf + (from + j) * columns,
                                      (size_t)columns * 4);
            factored(room, rows, pitch);
            solutions(room, rows, pitch, both);
            for (idx j = 0, k = 0; j < points; j++, to += columns)
                if (counts[j]) memcpy(to, both + COLUMNS * k++, (size_t)columns * 4);
                else memset(to, 0, (size_t)columns * 4);
        }
        Py_END_ALLOW_THREADS
    }
    free(lag);
    free(room);
    return DONE(room != NULL, &table, &place, &ok, &diagonal, &right, &out);
}

static PyObject *py_picked(PyObject *self, PyObject *args)
{
    Py_buffer values, begin, place, out;
    idx n, colours, size;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nnny*y*w*", &values, &n, &colours, &size, &begin, &place, &out)) return NULL;
    const int fine = inside(colours > 0 && size > 0, "no planes") && holds(&values, n * colours * size, 4, "values")
                     && holes_within(&begin, n, &place, &place, 0, size)
                     && holds(&out, ((int64_t *)begin.buf)[n] * colours, 4, "out");
    if (fine) {
        const int64_t *b = begin.buf, *at = place.buf;
        float *o = out.buf;
        Py_BEGIN_ALLOW_THREADS
        for (idx i = 0; i < n; i++)
            for (int64_t k = b[i]; k < b[i + 1]; k++)
                for (idx c = 0; c < colours; c++) o[k * colours + c] = ((float *)values.buf)[(i * colours + c) * size + at[k]];
        Py_END_ALLOW_THREADS
    }
    return DONE(fine, &values, &begin, &place, &out);
}

static PyObject *py_predicted(PyObject *self, PyObject *args)
{
    Py_buffer table, lag, begin, place, solved, out;
    idx n, lags, points, columns;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nny*y*y*ny*nw*", &table, &n, &lags, &lag, &begin, &place, &points, &solved, &columns, &out))
        return NULL;
    int fine = inside(n >= 0 && lags > 0 && points >= 0 && columns > 0 && columns <= COLUMNS, "no table")
               && holds(&table, n * lags, 4, "table") && holds(&begin, n + 1, 8, "begin") && holds(&place, n * points, 8, "place")
               && holds(&solved, n * points * columns, 4, "solved");
    const int64_t *b = begin.buf;
    fine = fine && inside(b[0] >= 0, "no pixels");
    for (idx i = 0; fine && i < n; i++) fine = inside(b[i + 1] >= b[i], "the pixels do not rise");
    fine = fine && holds(&lag, b[n], 8, "lag") && holds(&out, b[n] * columns, 4, "out");
    for (idx i = 0; fine && i < n; i++)
        fine = in_table((int64_t *)lag.buf + b[i], b[i + 1] - b[i], (int64_t *)place.buf + i * points, points, lags);
    float *padded = room_for(fine, points * COLUMNS * 4);
    if (padded) {
        Py_BEGIN_ALLOW_THREADS
        for (idx i = 0; i < n; i++)
            predicted((float *)table.buf + i * lags, (int64_t *)lag.buf + b[i], b[i + 1] - b[i],
                      (int64_t *)place.buf + i * points, points, (float *)solved.buf + i * points * columns, columns, padded,
                      (float *)out.buf + b[i] * columns);
        Py_END_ALLOW_THREADS
    }
    free(padded);
    return DONE(padded != NULL, &table, &lag, &begin, &place, &solved, &out);
}

static PyMethodDef methods[] = {
    {"top_hat", py_top_hat, METH_VARARGS,
     "top_hat(plane, h, w, sign, side, tile, rows, columns, r0, r1, kept, out, peaks, tops)"},
    {"quantiles", py_quantiles, METH_VARARGS, "quantiles(padded, pitch, h, w, offsets, n, take, taken, out)"},
    {"in_steps", py_in_steps, METH_VARARGS, "in_steps(density, start, stop, scale, low, high, out)"},
    {"halve", py_halve, METH_VARARGS, "halve(plane, h, w, y0, y1, sign, out)"},
    {"turned", py_turned, METH_VARARGS, "turned(plane, h, w, out)"},
    {"tile_sums", py_tile_sums, METH_VARARGS, "tile_sums(plane, h, w, tile, rows, columns, r0, r1, mean, rough)"},
    {"over", py_over, METH_VARARGS,
     "over(height, h, w, tile, rows, columns, r0, r1, peaks, limit, threshold, room, index, value, at) -> pixels"},
    {"usual", py_usual, METH_VARARGS, "usual(plane, h, w, beside, lowest, tile, rows, columns, mean, size)"},
    {"even", py_even, METH_VARARGS, "even(plane, h, w, beside, lowest, tile, rows, columns, mean, scale, limit, out)"},
    {"pieces", py_pieces, METH_VARARGS, "pieces(value, strips, w, piece, least, out) -> pieces"},
    {"link", py_link, METH_VARARGS,
     "link(found, n, gap, piece, miss, turn, wider, missed, turned, skipped, score, back)"},
    {"trace", py_trace, METH_VARARGS, "trace(order, score, back, n, least, total, pieces, member) -> chains"},
    {"vote", py_vote, METH_VARARGS, "vote(found, weight, n, distances, many, h, w, cell, columns, votes)"},
    {"closed", py_closed, METH_VARARGS, "closed(score, k, n, m, bent, out)"},
    {"connect", py_connect, METH_VARARGS, "connect(index, n, width, part) -> count"},
    {"beside", py_beside, METH_VARARGS, "beside(index, n, move, at)"},
    {"ordered", py_ordered, METH_VARARGS, "ordered(value, n, order)"},
    {"rung", py_rung, METH_VARARGS,
     "rung(index, value, threshold, n, width, least, greatest, share, cap, base, kept, owner, at) -> pixels, parts, left"},
    {"tally", py_tally, METH_VARARGS, "tally(index, part, threshold, n, height, plane, size, out, count)"},
    {"some", py_some, METH_VARARGS, "some(index, part, threshold, n, take, number, count, room, kept, owner, at)"},
    {"form", py_form, METH_VARARGS, "form(index, part, n, count, width, out)"},
    {"across", py_across, METH_VARARGS,
     "across(index, part, threshold, n, height, plane, rows, width, full, full_rows, full_width, sign, scale, total, count, "
     "contrast, out, uneven)"},
    {"falls", py_falls, METH_VARARGS,
     "falls(index, part, threshold, n, height, rows, width, area, count, enough, deep, scale, linear, full_rows, full_width, "
     "known, back, bias, tables, low, steps, apart, fine, out)"},
    {"claim", py_claim, METH_VARARGS, "claim(index, owner, n, rank, count, place, best) -> places"},
    {"covers", py_covers, METH_VARARGS, "covers(index, owner, n, width, y, x, step, count, side, out)"},
    {"in_units", py_in_units, METH_VARARGS,
     "in_units(density, cover, count, size, ground, per_contrast, per_grain, in_contrast, in_grain, out)"},
    {"outlines", py_outlines, METH_VARARGS,
     "outlines(full, rows, width, sign, own_width, scale, index, owner, opening, n, half, count, crumb, least, whole) "
     "-> index, owner"},
    {"steps_along", py_steps_along, METH_VARARGS, "steps_along(index, part, n, count, width, step)"},
    {"straightened", py_straightened, METH_VARARGS, "straightened(plane, h, w, sign, points, normals, n, reach, out)"},
    {"laid", py_laid, METH_VARARGS,
     "laid(plane, h, w, sign, line, n, moves, turns, reach, block, out, points, normals, rows) -> points before, after"},
    {"resampled", py_resampled, METH_VARARGS, "resampled(points, n, block) -> points"},
    {"taken", py_taken, METH_VARARGS, "taken(cells, rows, columns, side, points, n) -> points"},
    {"profile", py_profile, METH_VARARGS, "profile(rows, n, block, width, from, to, mean, out)"},
    {"strip_means", py_strip_means, METH_VARARGS,
     "strip_means(plane, h, w, points, cosine, sine, n, angles, step, aside, along, wide, out)"},
    {"convolved", py_convolved, METH_VARARGS, "convolved(x, n, rows, columns, inputs, kernel, add, side, step, outputs, out)"},
    {"walk", py_walk, METH_VARARGS,
     "walk(values, n, columns, edges, start, features, limits, leaves, depth, begin, stops, least, count, total)"},
    {"steps_out", py_steps_out, METH_VARARGS, "steps_out(planes, trust, h, w, colours, at, n, toe, out, number)"},
    {"surroundings", py_surroundings, METH_VARARGS,
     "surroundings(planes, trust, h, w, colours, corner, n, window, block, toe, bell, light, seen, mean, grey, rest)"},
    {"correlation", py_correlation, METH_VARARGS, "correlation(grey, n, window, inner, bell, table, square)"},
    {"ring", py_ring, METH_VARARGS,
     "ring(seen, n, window, inner, reach, points, enough, begin, y, x, rim, thin, ring, ok, distance, near)"},
    {"looks", py_looks, METH_VARARGS, "looks(light, seen, near, n, colours, window, inner, grey, rough, share, noise)"},
    {"sources", py_sources, METH_VARARGS,
     "sources(grey, seen, n, window, begin, y, x, ring, weight, points, moves, tries, places, out)"},
    {"detail", py_detail, METH_VARARGS,
     "detail(rest, fill, begin, y, x, n, colours, rough, grain, part, strength, most, gain, out)"},
    {"solve", py_solve, METH_VARARGS,
     "solve(table, n, lags, place, points, zero, ok, diagonal, right, columns, out)"},
    {"picked", py_picked, METH_VARARGS, "picked(values, n, colours, size, begin, place, out)"},
    {"predicted", py_predicted, METH_VARARGS,
     "predicted(table, n, lags, lag, begin, place, points, solved, columns, out)"},
    {NULL, NULL, 0, NULL}};

static struct PyModuleDef module = {PyModuleDef_HEAD_INIT, "_loops", "Inner loops of finding spots.", -1, methods,
                                    NULL, NULL, NULL, NULL};

PyMODINIT_FUNC PyInit__loops(void) { return PyModule_Create(&module); }
