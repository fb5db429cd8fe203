/* Of candidates and noise: the passes over whole planes. */

/* candidates.top_hat, a block of a strip. `a` has room for (rows + 2 pad) x (columns + 2 pad), pad = side - 1; the extreme of
   `side` entries from each on is found by doubling, in place, since it only looks ahead; of so few columns, and of one row, at
   a time that they stay in the first cache. */
enum { SLIM = 128 };

WIDEST static void slide(int16_t *a, idx rows, idx columns, idx pitch, idx side, int up)
{
    for (idx x0 = 0; x0 < columns; x0 += SLIM)
        for (idx reach = 1, step; reach < side; reach += step) {
            const idx n = columns - x0 < SLIM ? columns - x0 : SLIM;
            step = reach < side - reach ? reach : side - reach;
            for (idx y = 0; y + step < rows; y++) {
                int16_t *p = a + y * pitch + x0, *q = p + step * pitch;
                if (up) for (idx x = 0; x < n; x++) p[x] = p[x] > q[x] ? p[x] : q[x];
                else for (idx x = 0; x < n; x++) p[x] = p[x] < q[x] ? p[x] : q[x];
            }
        }
    for (idx y = 0; y < rows; y++)
        for (idx reach = 1, step; reach < side; reach += step) {
            step = reach < side - reach ? reach : side - reach;
            int16_t *p = a + y * pitch, *q = p + step;
            if (up) for (idx x = 0; x + step < columns; x++) p[x] = p[x] > q[x] ? p[x] : q[x];
            else for (idx x = 0; x + step < columns; x++) p[x] = p[x] < q[x] ? p[x] : q[x];
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

/* noise.turned, square by square; whole ones in registers, of which pairs are interleaved by ones, twos and fours. */
enum { EDGE = 8 };

#if defined(__GNUC__)
typedef int16_t row_of __attribute__((vector_size(2 * EDGE), aligned(2)));
#if defined(__clang__)
#define MIXED(a, b, ...) __builtin_shufflevector(a, b, __VA_ARGS__)
#else
#define MIXED(a, b, ...) __builtin_shuffle(a, b, (row_of){__VA_ARGS__})
#endif

static inline void turn(const int16_t *from, idx pitch, int16_t *to, idx apart)
{
    row_of a[EDGE], b[EDGE];
    for (idx i = 0; i < EDGE; i++) memcpy(a + i, from + i * pitch, sizeof a[i]);
    for (idx i = 0; i < EDGE; i += 2) {
        b[i] = MIXED(a[i], a[i + 1], 0, 8, 1, 9, 2, 10, 3, 11);
        b[i + 1] = MIXED(a[i], a[i + 1], 4, 12, 5, 13, 6, 14, 7, 15);
    }
    for (idx i = 0; i < EDGE; i += 4)
        for (idx k = 0; k < 2; k++) {
            a[i + 2 * k] = MIXED(b[i + k], b[i + k + 2], 0, 1, 8, 9, 2, 3, 10, 11);
            a[i + 2 * k + 1] = MIXED(b[i + k], b[i + k + 2], 4, 5, 12, 13, 6, 7, 14, 15);
        }
    for (idx k = 0; k < 4; k++) {
        b[2 * k] = MIXED(a[k], a[k + 4], 0, 1, 2, 3, 8, 9, 10, 11);
        b[2 * k + 1] = MIXED(a[k], a[k + 4], 4, 5, 6, 7, 12, 13, 14, 15);
    }
    for (idx i = 0; i < EDGE; i++) memcpy(to + i * apart, b + i, sizeof b[i]);
}
#else
static inline void turn(const int16_t *from, idx pitch, int16_t *to, idx apart)
{
    for (idx x = 0; x < EDGE; x++)
        for (idx y = 0; y < EDGE; y++) to[x * apart + y] = from[y * pitch + x];
}
#endif

static void turned(const int16_t *plane, idx h, idx w, int16_t *out)
{
    enum { SQUARE = 4 * EDGE };
    for (idx y0 = 0; y0 < h; y0 += SQUARE)
        for (idx x0 = 0; x0 < w; x0 += SQUARE)
            for (idx x = x0; x < w && x < x0 + SQUARE; x += EDGE)
                for (idx y = y0; y < h && y < y0 + SQUARE; y += EDGE) {
                    if (x + EDGE <= w && y + EDGE <= h) turn(plane + y * w + x, w, out + x * h + y, h);
                    else
                        for (idx i = x; i < w && i < x + EDGE; i++)
                            for (idx j = y; j < h && j < y + EDGE; j++) out[i * h + j] = plane[j * w + i];
                }
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
            if (x1 - x0 == 16) for (idx x = 0; x < 16; x++) found += p[x0 + x] > least;
            else for (idx x = x0; x < x1; x++) found += p[x] > least;
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

/* --- what Python sees --- */

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
