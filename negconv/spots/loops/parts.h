/* Of components, candidates and kinds: pixels that stand out, joined to parts and summed. */

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
    int64_t end = 0; /* of the row */
    for (idx r = 0, above = 0; r < runs; r++) {
        if (first[r] >= end) end = (first[r] / width + 1) * width;
        const int64_t left = first[r] == end - width ? first[r] - width : first[r] - width - 1;
        const int64_t right = last[r] == end - 1 ? last[r] - width : last[r] - width + 1;
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
    int64_t end = 0; /* of the row */
    for (idx i = 0; i < n; i++) {
        if (i && index[i] == index[i - 1] + 1 && index[i] < end) last[runs - 1] = index[i];
        else {
            if (index[i] >= end) end = (index[i] / width + 1) * width;
            first[runs] = last[runs] = index[i], runs++;
        }
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

/* components.greatest. */
static void greatest(const double *value, const int64_t *group, idx n, double *out)
{
    for (idx i = 0; i < n; i++)
        if (value[i] > out[group[i]]) out[group[i]] = value[i];
}

/* --- what Python sees --- */

static PyObject *py_greatest(PyObject *self, PyObject *args)
{
    Py_buffer value, group, out;
    idx n, count;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*y*nnw*", &value, &group, &n, &count, &out)) return NULL;
    const int fine = holds(&value, n, 8, "value") && holds(&group, n, 8, "group") && holds(&out, count, 8, "out")
                     && between(&group, n, 0, count, "there is no such group");
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        greatest(value.buf, group.buf, n, out.buf);
        Py_END_ALLOW_THREADS
    }
    return DONE(fine, &value, &group, &out);
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
