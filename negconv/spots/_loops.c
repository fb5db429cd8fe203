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

/* One binary for every processor of the family: the loader picks the widest vectors there are. (By levels, not by names of
   processors, which fit no later one.) Sums are rounded as written, -ffp-contract=off, so that all give the same bytes. */
#if defined(__GNUC__) && !defined(__clang__) && defined(__x86_64__) && defined(__linux__) && defined(__GLIBC__)
#define WIDEST __attribute__((target_clones("arch=x86-64-v4", "arch=x86-64-v3", "default")))
#else
#define WIDEST
#endif

#define BLOCK 512 /* columns worked on at a time: with their rows they stay in the second cache */

typedef Py_ssize_t idx;

static inline float most(float a, float b) { return a > b ? a : b; }
static inline idx within(idx i, idx low, idx high) { return i < low ? low : i > high ? high : i; }

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

WIDEST static void top_hat(const int16_t *plane, idx h, idx w, idx side, idx y0, idx y1, idx x0, idx x1, int16_t *a, int16_t *out)
{
    const idx half = side / 2, pad = side - 1, rows = y1 - y0, columns = x1 - x0, pitch = columns + 2 * pad;
    for (idx i = 0; i < rows + 2 * pad; i++) {
        const idx y = y0 - pad + i, from = within(pad - x0, 0, pitch), to = within(w - x0 + pad, 0, pitch);
        int16_t *p = a + i * pitch;
        if (y < 0 || y >= h) for (idx j = 0; j < pitch; j++) p[j] = INT16_MAX;
        else {
            for (idx j = 0; j < from; j++) p[j] = INT16_MAX;
            memcpy(p + from, plane + y * w + x0 - pad + from, (size_t)(to - from) * 2);
            for (idx j = to; j < pitch; j++) p[j] = INT16_MAX;
        }
    }
    slide(a, rows + 2 * pad, pitch, pitch, side, 0);
    /* a[i][j] now is the erosion at row y0 - half + i, column x0 - half + j; beyond the picture there is none. */
    for (idx i = 0; i < rows + pad; i++) {
        const idx y = y0 - half + i, from = within(half - x0, 0, columns + pad), to = within(w - x0 + half, 0, columns + pad);
        int16_t *p = a + i * pitch;
        const int none = y < 0 || y >= h;
        for (idx j = 0; j < (none ? columns + pad : from); j++) p[j] = INT16_MIN;
        for (idx j = to; j < columns + pad; j++) p[j] = INT16_MIN;
    }
    slide(a, rows + pad, columns + pad, pitch, side, 1);
    for (idx i = 0; i < rows; i++) {
        const int16_t *p = plane + (y0 + i) * w + x0, *q = a + i * pitch;
        int16_t *o = out + (y0 + i) * w + x0;
        for (idx j = 0; j < columns; j++) o[j] = (int16_t)(p[j] - q[j]);
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

static int64_t root_of(int64_t *root, int64_t i)
{
    while (root[i] != i) i = root[i] = root[root[i]];
    return i;
}

/* components.connected: runs of neighbours, joined to the runs of the row above that they touch.
   `first`, `last`, `root` have room for n runs. */
static idx connect(const int64_t *index, idx n, idx width, int64_t *first, int64_t *last, int64_t *root, int64_t *part)
{
    idx runs = 0;
    for (idx i = 0; i < n; i++) {
        if (i && index[i] == index[i - 1] + 1 && index[i] % width) last[runs - 1] = index[i];
        else {
            first[runs] = last[runs] = index[i];
            root[runs] = runs;
            runs++;
        }
        part[i] = runs - 1;
    }
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
    for (idx i = 0; i < n; i++) part[i] = last[part[i]];
    return count;
}

/* candidates.parts, one threshold: the parts of a size go to `kept`, `owner` and `at`, and what exceeds the next threshold stays.
   `part` has room for n, `room` for 4 n. Returns how many pixels stay. */
static idx rung(int64_t *index, float *value, float *threshold, idx n, idx width, idx least, idx greatest, float share, float most_,
                int64_t *part, int64_t *room, int64_t *kept, int64_t *owner, float *at, idx *pixels, idx *parts)
{
    const idx count = connect(index, n, width, room, room + n, room + 2 * n, part);
    int64_t *area = room, *number = room + n;
    memset(area, 0, (size_t)count * 8);
    for (idx i = 0; i < n; i++) area[part[i]]++;
    *parts = *pixels = 0;
    for (idx p = 0; p < count; p++) number[p] = area[p] >= least && area[p] <= greatest ? (*parts)++ : -1;
    idx left = 0;
    for (idx i = 0; i < n; i++) {
        const int64_t p = part[i];
        if (number[p] >= 0) {
            kept[*pixels] = index[i];
            owner[*pixels] = number[p];
            at[(*pixels)++] = threshold[i];
        }
        const float step = share * threshold[i], next = threshold[i] + (step < most_ ? step : most_);
        if (value[i] > next && area[p] >= least) {
            index[left] = index[i];
            value[left] = value[i];
            threshold[left++] = next;
        }
    }
    return left;
}

/* features.glance, its sums over the pixels of each part. */
enum { AREA, SUM, SQUARES, CORE, DEEP, PEAK, TOP, PLACE, DENSE, TALLIES };

static void tally(const int64_t *index, const int64_t *part, const float *threshold, idx n, const int16_t *height,
                  const int16_t *plane, double *out)
{
    for (idx i = 0; i < n; i++) {
        double *o = out + part[i] * TALLIES;
        const float v = height[index[i]], square = v * v, top = plane[index[i]];
        o[AREA] += 1;
        o[SUM] += v;
        o[SQUARES] += square;
        o[CORE] += v > threshold[i] * 1.3f;
        o[DEEP] += v > threshold[i] * 2.0f;
        if (v > o[PEAK]) o[PEAK] = v;
        if (top > o[TOP]) o[TOP] = top;
        o[PLACE] = (double)index[i];
        o[DENSE] += top;
    }
}

/* kinds.shapes: sums over the pixels of each part, and the sides they turn to each other. */
enum { PIXELS, MX, MY, XX, YY, XY, X0, Y0, X1, Y1, SHARED, FORMS };

static void form(const int64_t *index, const int64_t *part, idx n, idx count, idx width, double *out)
{
    for (idx p = 0; p < count; p++) {
        double *o = out + p * FORMS;
        o[X0] = o[Y0] = INFINITY;
        o[X1] = o[Y1] = -1;
    }
    for (idx i = 0, below = 0; i < n; i++) {
        double *o = out + part[i] * FORMS;
        const double y = (double)(index[i] / width), x = (double)(index[i] % width);
        o[PIXELS] += 1;
        o[MX] += x;
        o[MY] += y;
        if (x < o[X0]) o[X0] = x;
        if (x > o[X1]) o[X1] = x;
        if (y < o[Y0]) o[Y0] = y;
        if (y > o[Y1]) o[Y1] = y;
        o[SHARED] += i + 1 < n && index[i + 1] == index[i] + 1 && index[i + 1] % width && part[i + 1] == part[i];
        while (below < n && index[below] < index[i] + width) below++;
        o[SHARED] += below < n && index[below] == index[i] + width && part[below] == part[i];
    }
    for (idx p = 0; p < count; p++) {
        double *o = out + p * FORMS, safe = o[PIXELS] > 1 ? o[PIXELS] : 1;
        o[MX] /= safe;
        o[MY] /= safe;
    }
    for (idx i = 0; i < n; i++) {
        double *o = out + part[i] * FORMS;
        const double dx = (double)(index[i] % width) - o[MX], dy = (double)(index[i] / width) - o[MY];
        o[XX] += dx * dx;
        o[YY] += dy * dy;
        o[XY] += dx * dy;
    }
}

/* features._across: what lies across the outlines of parts. */
enum { PAIRS, FIRST, SECOND, INNER, SLOPE, OPEN, SHARP, SPREAD, RING, RINGS, SIDE, REACH = SIDE + 4, SIDES = REACH + 4,
       GROUND = SIDES + 4, EDGES };

typedef struct {
    const int64_t *index, *part;
    const float *threshold;
    idx n, count, rows, width, full_rows, full_width, scale;
    const int16_t *height, *plane, *full;
} outline;

static float sharpest(const outline *o, idx y, idx x, int dy, int dx)
{
    const idx s = o->scale, begin = -(s / 2) - 1, end = s + s / 2 + 3, step = dy * o->full_width + dx;
    int before = 0, last = 0, best = INT32_MIN;
    y = y * s + s / 2;
    x = x * s + s / 2;
    const idx reach = end > -begin ? end : -begin;
    const int free = y >= reach && x >= reach && y + reach < o->full_rows && x + reach < o->full_width;
    const int16_t *p = o->full + y * o->full_width + x;
    for (idx k = begin; k < end; k++) {
        const int value = free ? p[k * step]
                               : o->full[within(y + k * dy, 0, o->full_rows - 1) * o->full_width
                                         + within(x + k * dx, 0, o->full_width - 1)];
        if (k >= begin + 2 && before - value > best) best = before - value;
        before = last;
        last = value;
    }
    return (float)best;
}

static void across(const outline *o, const float *total, float *contrast, double *out)
{
    static const int step[4][2] = {{0, 1}, {0, -1}, {1, 0}, {-1, 0}};
    const idx size = o->rows * o->width;
    for (int pass = 0; pass < 2; pass++) {
        for (idx i = 0; i < o->n; i++) {
            const idx at = o->index[i], y = at / o->width, x = at % o->width, who = o->part[i];
            double *t = out + who * EDGES;
            for (int d = 0; d < 4; d++) {
                const int dy = step[d][0], dx = step[d][1];
                const idx off = dy * o->width + dx;
                if ((float)o->height[within(at + off, 0, size - 1)] > o->threshold[i]) continue;
                if (y + 4 * dy < 0 || y + 4 * dy >= o->rows || x + 4 * dx < 0 || x + 4 * dx >= o->width || y - dy < 0
                    || y - dy >= o->rows || x - dx < 0 || x - dx >= o->width)
                    continue;
                if (pass == 0) {
                    const int16_t far = o->height[at + 3 * off], own = o->height[at];
                    t[PAIRS] += 1;
                    t[GROUND] += far < own ? far : own;
                    continue;
                }
                const int16_t *p = o->plane + at;
                const float here = p[0], inner = p[-off], b1 = p[off], b2 = p[2 * off], b3 = p[3 * off], b4 = p[4 * off];
                const float ref = contrast[who], two = (most(here, inner) - b2) / ref;
                const float square = two * two, ring = b3 * b3;
                t[FIRST] += (here - b1) / ref;
                t[SECOND] += two;
                t[INNER] += (inner - here) / ref;
                t[SLOPE] += (b2 - b4) / ref;
                t[OPEN] += two < 0.35f;
                t[SHARP] += sharpest(o, y, x, dy, dx) / ref;
                t[SPREAD] += square;
                t[RING] += b3;
                t[RINGS] += ring;
                t[SIDE + d] += two;
                t[REACH + d] += b3;
                t[SIDES + d] += 1;
            }
        }
        if (pass == 0)
            for (idx k = 0; k < o->count; k++) {
                double *t = out + k * EDGES;
                t[GROUND] = t[PAIRS] > 0 ? t[GROUND] / t[PAIRS] : 0;
                const double rest = (double)total[k] - t[GROUND];
                contrast[k] = (float)(rest > 1 ? rest : 1);
            }
    }
}

/* score.Trees._sum: each row of values walks down each tree. */
static void walk(const float *values, idx n, idx columns, const float *edges, const int64_t *start, const uint8_t *features,
                 const uint8_t *limits, const float *leaves, idx trees, int depth, float *total)
{
    const idx nodes = ((idx)1 << depth) - 1;
    uint8_t bin[256];
    for (idx i = 0; i < n; i++) {
        const float *v = values + i * columns;
        for (idx j = 0; j < columns; j++) {
            idx low = start[j], high = start[j + 1];
            while (low < high) {
                const idx middle = (low + high) / 2;
                if (v[j] < edges[middle]) high = middle;
                else low = middle + 1;
            }
            bin[j] = (uint8_t)(low - start[j]);
        }
        float sum = 0;
        for (idx t = 0; t < trees; t++) {
            const uint8_t *f = features + t * nodes, *l = limits + t * nodes;
            idx node = 0;
            for (int d = 0; d < depth; d++) node = 2 * node + 1 + (bin[f[node]] > l[node]);
            sum += leaves[t * (nodes + 1) + node - nodes];
        }
        total[i] += sum;
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
    const int64_t *v = b->buf;
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

static PyObject *py_top_hat(PyObject *self, PyObject *args)
{
    Py_buffer plane, out, peaks, highs;
    idx h, w, side, tile, rows, columns, r0, r1;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nnnnnnnnw*w*w*", &plane, &h, &w, &side, &tile, &rows, &columns, &r0, &r1, &out, &peaks, &highs))
        return NULL;
    const int fine = inside(h > 0 && w > 0 && side > 0 && side % 2 == 1 && side <= 101, "no odd square on a picture")
                     && inside(tile > 0 && rows > 0 && columns > 0 && r0 >= 0 && r0 <= r1 && r1 <= rows
                               && (rows == 1 || rows * tile <= h) && (columns == 1 || columns * tile <= w), "no such tiles")
                     && holds(&plane, h * w, 2, "plane") && holds(&out, h * w, 2, "out") && holds(&peaks, rows * columns, 2, "peaks")
                     && holds(&highs, rows * columns, 2, "tops");
    const idx y0 = fine ? r0 * tile : 0, y1 = fine ? r1 == rows ? h : r1 * tile : 0, pad = 2 * (side - 1);
    int16_t *room = fine ? malloc(((size_t)(y1 - y0 + pad) * (size_t)((w < BLOCK ? w : BLOCK) + pad) + (size_t)w) * 2) : NULL;
    if (room) {
        Py_BEGIN_ALLOW_THREADS
        for (idx x = 0; x < w; x += BLOCK) top_hat(plane.buf, h, w, side, y0, y1, x, x + BLOCK < w ? x + BLOCK : w, room, out.buf);
        for (idx r = r0; r < r1; r++) {
            const idx top = r * tile, end = r == rows - 1 ? h : top + tile;
            tops(out.buf, w, top, end, tile, columns, room, (int16_t *)peaks.buf + r * columns);
            tops(plane.buf, w, top, end, tile, columns, room, (int16_t *)highs.buf + r * columns);
        }
        Py_END_ALLOW_THREADS
        free(room);
    } else if (fine)
        PyErr_NoMemory();
    Py_buffer *all[] = {&plane, &out, &peaks, &highs};
    for (size_t i = 0; i < sizeof all / sizeof *all; i++) PyBuffer_Release(all[i]);
    if (!room) return NULL;
    Py_RETURN_NONE;
}

static PyObject *py_connect(PyObject *self, PyObject *args)
{
    Py_buffer index, part;
    idx n, width, count = 0;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nnw*", &index, &n, &width, &part)) return NULL;
    const int fine = inside(width > 0, "no columns") && holds(&index, n, 8, "index") && holds(&part, n, 8, "part")
                     && rises(&index, n);
    int64_t *room = fine ? malloc((size_t)(3 * n + 1) * 8) : NULL;
    if (room) {
        Py_BEGIN_ALLOW_THREADS
        count = connect(index.buf, n, width, room, room + n, room + 2 * n, part.buf);
        Py_END_ALLOW_THREADS
        free(room);
    } else if (fine)
        PyErr_NoMemory();
    PyBuffer_Release(&index);
    PyBuffer_Release(&part);
    return room ? PyLong_FromSsize_t(count) : NULL;
}

static PyObject *py_rung(PyObject *self, PyObject *args)
{
    Py_buffer index, value, threshold, kept, owner, at;
    idx n, width, least, greatest, pixels = 0, parts = 0, left = 0;
    float share, cap;
    (void)self;
    if (!PyArg_ParseTuple(args, "w*w*w*nnnnffw*w*w*", &index, &value, &threshold, &n, &width, &least, &greatest, &share, &cap, &kept,
                          &owner, &at))
        return NULL;
    int fine = inside(width > 0, "no columns") && holds(&index, n, 8, "index") && holds(&value, n, 4, "value")
               && holds(&threshold, n, 4, "threshold") && holds(&kept, n, 8, "kept") && holds(&owner, n, 8, "owner")
               && holds(&at, n, 4, "at") && rises(&index, n);
    int64_t *room = fine ? malloc((size_t)(4 * n + 1) * 8) : NULL;
    if (room) {
        Py_BEGIN_ALLOW_THREADS
        left = rung(index.buf, value.buf, threshold.buf, n, width, least, greatest, share, cap, room + 3 * n, room, kept.buf, owner.buf,
                    at.buf, &pixels, &parts);
        Py_END_ALLOW_THREADS
        free(room);
    } else if (fine)
        PyErr_NoMemory();
    Py_buffer *all[] = {&index, &value, &threshold, &kept, &owner, &at};
    for (size_t i = 0; i < sizeof all / sizeof *all; i++) PyBuffer_Release(all[i]);
    return room ? Py_BuildValue("nnn", pixels, parts, left) : NULL;
}

static PyObject *py_tally(PyObject *self, PyObject *args)
{
    Py_buffer index, part, threshold, height, plane, out;
    idx n, size, count;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*y*y*ny*y*nw*n", &index, &part, &threshold, &n, &height, &plane, &size, &out, &count)) return NULL;
    const int fine = holds(&index, n, 8, "index") && holds(&part, n, 8, "part") && holds(&threshold, n, 4, "threshold")
                     && holds(&height, size, 2, "height") && holds(&plane, size, 2, "plane") && holds(&out, count * TALLIES, 8, "out")
                     && below(&index, n, size, "a pixel lies outside") && below(&part, n, count, "there is no such part");
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        tally(index.buf, part.buf, threshold.buf, n, height.buf, plane.buf, out.buf);
        Py_END_ALLOW_THREADS
    }
    Py_buffer *all[] = {&index, &part, &threshold, &height, &plane, &out};
    for (size_t i = 0; i < sizeof all / sizeof *all; i++) PyBuffer_Release(all[i]);
    if (!fine) return NULL;
    Py_RETURN_NONE;
}

static PyObject *py_form(PyObject *self, PyObject *args)
{
    Py_buffer index, part, out;
    idx n, count, width;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*y*nnnw*", &index, &part, &n, &count, &width, &out)) return NULL;
    const int fine = inside(width > 0, "no columns") && holds(&index, n, 8, "index") && holds(&part, n, 8, "part")
                     && holds(&out, count * FORMS, 8, "out") && below(&part, n, count, "there is no such part");
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        form(index.buf, part.buf, n, count, width, out.buf);
        Py_END_ALLOW_THREADS
    }
    Py_buffer *all[] = {&index, &part, &out};
    for (size_t i = 0; i < sizeof all / sizeof *all; i++) PyBuffer_Release(all[i]);
    if (!fine) return NULL;
    Py_RETURN_NONE;
}

static PyObject *py_across(PyObject *self, PyObject *args)
{
    Py_buffer index, part, threshold, height, plane, full, total, contrast, out;
    outline o;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*y*y*ny*y*nny*nnny*nw*w*", &index, &part, &threshold, &o.n, &height, &plane, &o.rows, &o.width, &full,
                          &o.full_rows, &o.full_width, &o.scale, &total, &o.count, &contrast, &out))
        return NULL;
    const int fine = inside(o.rows > 0 && o.width > 0 && o.full_rows > 0 && o.full_width > 0 && o.scale > 0, "no pixels")
                     && holds(&index, o.n, 8, "index") && holds(&part, o.n, 8, "part") && holds(&threshold, o.n, 4, "threshold")
                     && holds(&height, o.rows * o.width, 2, "height") && holds(&plane, o.rows * o.width, 2, "plane")
                     && holds(&full, o.full_rows * o.full_width, 2, "full") && holds(&total, o.count, 4, "total")
                     && holds(&contrast, o.count, 4, "contrast") && holds(&out, o.count * EDGES, 8, "out")
                     && below(&index, o.n, o.rows * o.width, "a pixel lies outside")
                     && below(&part, o.n, o.count, "there is no such part");
    if (fine) {
        o.index = index.buf, o.part = part.buf, o.threshold = threshold.buf;
        o.height = height.buf, o.plane = plane.buf, o.full = full.buf;
        Py_BEGIN_ALLOW_THREADS
        across(&o, total.buf, contrast.buf, out.buf);
        Py_END_ALLOW_THREADS
    }
    Py_buffer *all[] = {&index, &part, &threshold, &height, &plane, &full, &total, &contrast, &out};
    for (size_t i = 0; i < sizeof all / sizeof *all; i++) PyBuffer_Release(all[i]);
    if (!fine) return NULL;
    Py_RETURN_NONE;
}

static PyObject *py_walk(PyObject *self, PyObject *args)
{
    Py_buffer values, edges, start, features, limits, leaves, total;
    idx n, columns, trees;
    int depth;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nny*y*y*y*y*niw*", &values, &n, &columns, &edges, &start, &features, &limits, &leaves, &trees,
                          &depth, &total))
        return NULL;
    const idx nodes = ((idx)1 << (depth > 0 && depth < 16 ? depth : 0)) - 1;
    int fine = inside(depth > 0 && depth < 16 && columns > 0 && columns <= 256, "no such trees")
               && holds(&values, n * columns, 4, "values") && holds(&start, columns + 1, 8, "start")
               && holds(&features, trees * nodes, 1, "features") && holds(&limits, trees * nodes, 1, "limits")
               && holds(&leaves, trees * (nodes + 1), 4, "leaves") && holds(&total, n, 4, "total");
    if (fine) {
        const int64_t *s = start.buf;
        const uint8_t *f = features.buf;
        fine = inside(s[0] >= 0 && (idx)(edges.len / 4) >= s[columns], "the edges end too soon");
        for (idx j = 0; fine && j < columns; j++) fine = inside(s[j + 1] >= s[j] && s[j + 1] - s[j] < 256, "too many edges");
        for (idx i = 0; fine && i < trees * nodes; i++) fine = inside(f[i] < columns, "there is no such column");
    }
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        walk(values.buf, n, columns, edges.buf, start.buf, features.buf, limits.buf, leaves.buf, trees, depth, total.buf);
        Py_END_ALLOW_THREADS
    }
    Py_buffer *all[] = {&values, &edges, &start, &features, &limits, &leaves, &total};
    for (size_t i = 0; i < sizeof all / sizeof *all; i++) PyBuffer_Release(all[i]);
    if (!fine) return NULL;
    Py_RETURN_NONE;
}

static PyMethodDef methods[] = {
    {"top_hat", py_top_hat, METH_VARARGS, "top_hat(plane, h, w, side, tile, rows, columns, r0, r1, out, peaks, tops)"},
    {"connect", py_connect, METH_VARARGS, "connect(index, n, width, part) -> count"},
    {"rung", py_rung, METH_VARARGS,
     "rung(index, value, threshold, n, width, least, greatest, share, cap, kept, owner, at) -> pixels, parts, left"},
    {"tally", py_tally, METH_VARARGS, "tally(index, part, threshold, n, height, plane, size, out, count)"},
    {"form", py_form, METH_VARARGS, "form(index, part, n, count, width, out)"},
    {"across", py_across, METH_VARARGS,
     "across(index, part, threshold, n, height, plane, rows, width, full, full_rows, full_width, scale, total, count, contrast, out)"},
    {"walk", py_walk, METH_VARARGS,
     "walk(values, n, columns, edges, start, features, limits, leaves, trees, depth, total)"},
    {NULL, NULL, 0, NULL}};

static struct PyModuleDef module = {PyModuleDef_HEAD_INIT, "_loops", "Inner loops of finding spots.", -1, methods,
                                    NULL, NULL, NULL, NULL};

PyMODINIT_FUNC PyInit__loops(void) { return PyModule_Create(&module); }
