/* Of the fused pass, for strips that lie in a core's cache: mosaics, means, the panel's light, shears, film and codes. */

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

/* --- what Python sees --- */

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
