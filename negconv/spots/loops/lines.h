/* Of lines and rings: sums along lines, their chains, votes and rims. */

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

/* --- what Python sees --- */

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
