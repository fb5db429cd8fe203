/* Of score and look: trees, cuts and convolutions. */

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

/* look.pooled, one picture. */
WIDEST static void pooled(const float *x, idx rows, idx columns, idx channels, float *out)
{
    for (idx y = 0; y < rows / 2; y++)
        for (idx i = 0; i < columns / 2; i++, out += channels) {
            const float *a = x + (2 * y * columns + 2 * i) * channels, *b = a + columns * channels;
            for (idx c = 0; c < channels; c++)
                out[c] = most(most(a[c], b[c]), most(a[c + channels], b[c + channels]));
        }
}

/* --- what Python sees --- */

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

static PyObject *py_convolved(PyObject *self, PyObject *args)
{
    Py_buffer x, kernel, add, out;
    idx n, rows, columns, inputs, side, step, kept;
    int pool;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nnnny*y*nnpnw*", &x, &n, &rows, &columns, &inputs, &kernel, &add, &side, &step, &pool,
                          &kept, &out))
        return NULL;
    const int fine = inside(n >= 0 && rows > 0 && columns > 0 && inputs > 0 && side > 0 && side % 2 && step > 0 && kept > 0
                            && kept <= OUTPUTS && (!pool || (rows / step % 2 == 0 && columns / step % 2 == 0)),
                            "no such layer")
                     && holds(&x, n * rows * columns * inputs, 4, "x") && holds(&kernel, side * side * inputs * kept, 4,
                                                                                "kernel")
                     && holds(&add, kept, 4, "add")
                     && holds(&out, n * (rows / step) * (columns / step) * kept / (pool ? 4 : 1), 4, "out");
    const idx whole = (rows / (fine ? step : 1)) * (columns / (fine ? step : 1)) * kept, apart = pool ? whole / 4 : whole;
    const idx outputs = (kept + 7) / 8 * 8, weights = side * side * inputs, own = rows * columns * inputs,
              room = (rows + side - 1) * (columns + side - 1) * inputs;
    float *padded = fine ? calloc((size_t)(room + (weights + 1) * outputs + (pool ? whole : 0)), 4) : NULL;
    if (padded) {
        float *wide = padded + room, *more = wide + weights * outputs;
        Py_BEGIN_ALLOW_THREADS
        for (idx i = 0; i < weights; i++) memcpy(wide + i * outputs, (float *)kernel.buf + i * kept, (size_t)kept * 4);
        memcpy(more, add.buf, (size_t)kept * 4);
        for (idx i = 0; i < n; i++) {
            float *to = (float *)out.buf + i * apart, *layer = pool ? more + outputs : to;
            convolved((float *)x.buf + i * own, rows, columns, inputs, side, step, wide, more, outputs, kept, padded, layer);
            if (pool) pooled(layer, rows / step, columns / step, kept, to);
        }
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
