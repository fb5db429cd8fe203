/* Of hairs and scratches: lines followed, laid straight and averaged. */

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

static void take(uint8_t *cells, idx rows, idx columns, idx side, const double *points, idx n)
{
    for (idx i = 0, last = -1; i < n; i++) {
        const idx cell = cell_of(points + 2 * i, rows, columns, side), y = cell / columns, x = cell % columns;
        if (cell == last) continue;
        last = cell;
        for (idx v = y > 0 ? y - 1 : 0; v <= y + 1 && v < rows; v++)
            for (idx u = x > 0 ? x - 1 : 0; u <= x + 1 && u < columns; u++) cells[v * columns + u] = 1;
    }
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

/* --- what Python sees --- */

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

static PyObject *py_take(PyObject *self, PyObject *args)
{
    Py_buffer cells, points;
    idx rows, columns, side, n;
    (void)self;
    if (!PyArg_ParseTuple(args, "w*nnny*n", &cells, &rows, &columns, &side, &points, &n)) return NULL;
    const int fine = inside(rows > 0 && columns > 0 && side > 0, "no cells") && holds(&cells, rows * columns, 1, "cells")
                     && holds(&points, 2 * n, 8, "points");
    if (fine) take(cells.buf, rows, columns, side, points.buf, n);
    return DONE(fine, &cells, &points);
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
