/* Of features and find: what lies across outlines, outlines themselves, and whose a place is. */

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
        const int16_t *p = o->full + y * o->full_width + x + begin * step;
        int before = p[0], last = p[step];
        p += 2 * step;
        for (idx k = begin + 2; k < end; k++, p += step) {
            const int value = *p, fall = o->sign * (before - value);
            best = fall > best ? fall : best;
            before = last;
            last = value;
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

/* A pixel of a part and a side that leads out of it, as a row of `OUT`. */
typedef struct {
    int32_t at, y, x, who, side;
} way_out;

/* The next pixels of a list, as many as `SOME`: the ways out of their parts, and the second differences along rows
   (`uneven`). */
enum { SOME = 256 };

static idx ways_out(const outline *o, reading *r, idx from, idx to, int whole, int64_t *uneven, way_out *out)
{
    idx n = 0;
    for (idx i = from; i < to; i++) {
        const int32_t who = o->part[i];
        go_on(r, o, i);
        fetch_around(o, o->height, i, 3);
        fetch_around(o, o->plane, i, 4);
        if (!whole) fetch_whole(o, i);
        const int16_t *p = o->plane + r->at;
        if (i + 4 < o->n && o->index[i + 4] == o->index[i] + 4 && o->part[i + 4] == who) {
            const int twice = 2 * p[2] - p[0] - p[4];
            uneven[2 * (idx)who] += twice < 0 ? -twice : twice;
            uneven[2 * (idx)who + 1]++;
        }
        /* All four are written, and those that lead out kept: which they are cannot be foretold. */
        const int ways = outward(o, r->at, r->y, r->x, r->limit);
        for (int d = 0; d < 4; d++) {
            out[n] = (way_out){(int32_t)r->at, r->y, r->x, who, d};
            n += ways >> d & 1;
        }
    }
    return n;
}

/* All sums are of whole numbers; only what counts as open depends on the contrast, so that the falls are kept for it. `uneven`
   is twice the size of the second differences along rows within each part, and how many there are (features._grain_inside). */
static int across(const outline *o, const float *total, float *contrast, int64_t *out, int64_t *uneven)
{
    /* At full size what is read for the rest is all that `sharpest` would read. */
    const int whole = o->scale == 1 && o->full == o->plane;
    const idx off_of[4] = {1, -1, o->width, -o->width};
    way_out ways[4 * SOME + 4];
    typedef struct { int32_t who, fall; } pair;
    pair *pairs = NULL;
    idx many = 0, room = 0;
    reading r = {.at = -2};
    for (idx i = 0; i < o->n; i += SOME) {
        const idx n = ways_out(o, &r, i, i + SOME < o->n ? i + SOME : o->n, whole, uneven, ways);
        if (many + n > room) {
            room = 2 * room + 4 * SOME;
            pair *more = realloc(pairs, (size_t)room * sizeof *pairs);
            if (!more) {
                free(pairs);
                return 0;
            }
            pairs = more;
        }
        for (idx k = 0; k < n; k++) {
            const way_out *v = ways + k;
            const int d = v->side;
            const idx off = off_of[d];
            const int16_t *p = o->plane + v->at, *h = o->height + v->at;
            int64_t *t = out + (idx)v->who * EDGES;
            const int16_t far = h[3 * off], own = h[0];
            const int here = p[0], inner = p[-off], b1 = p[off], b2 = p[2 * off], b3 = p[3 * off], b4 = p[4 * off];
            const int two = (here > inner ? here : inner) - b2;
            t[LOW] += far < own ? far : own;
            t[FIRST] += here - b1;
            t[INNER] += inner - here;
            t[SLOPE] += b2 - b4;
            t[SHARP] += whole ? highest_of(inner - b1, here - b2, b1 - b3) : sharpest(o, v->y, v->x, OUT[d][0], OUT[d][1]);
            t[SPREAD] += (int64_t)two * two;
            t[RINGS] += (int64_t)b3 * b3;
            t[SIDE + d] += two;
            t[REACH + d] += b3;
            t[SIDES + d] += 1;
            pairs[many++] = (pair){v->who, two};
        }
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

/* find.claimed and find.winners: pairs of a place and the rank of its owner, laid together by FIELD places, of which the least
   rank at each is kept. `end` is what no place reaches; `next` has room for end / FIELD + 2 counts, `room` for n pairs. */
enum { FIELD = 4096 };

static void by_field(const int32_t *index, const int32_t *owner, idx n, const int32_t *rank, idx end, idx *next, placed *room)
{
    const idx fields = end / FIELD + 2;
    memset(next, 0, (size_t)fields * sizeof *next);
    for (idx i = 0; i < n; i++) next[index[i] / FIELD + 1]++;
    for (idx k = 1; k < fields; k++) next[k] += next[k - 1];
    for (idx i = 0; i < n; i++) room[next[index[i] / FIELD]++] = (placed){index[i], rank[owner[i]]};
}

static void least_of(const placed *from, idx n, int32_t *least)
{
    for (idx i = 0; i < n; i++) {
        int32_t *best = least + from[i].value % FIELD;
        *best = from[i].at < *best ? from[i].at : *best;
    }
}

/* Places in order, each once, with the least rank there. How many there are. */
static idx claim(const idx *next, idx end, const placed *room, int32_t *place, int32_t *best)
{
    int32_t least[FIELD];
    idx found = 0;
    for (idx k = 0; k < FIELD; k++) least[k] = INT32_MAX;
    for (idx f = 0, from = 0; f * FIELD < end; from = next[f++]) {
        uint8_t there[FIELD + 1] = {0};
        if (next[f] == from) continue;
        least_of(room + from, next[f] - from, least);
        for (idx i = from; i < next[f]; i++) there[room[i].value % FIELD] = 1;
        for (uint8_t *p = there; (p = memchr(p, 1, (size_t)(there + FIELD - p))); p++) {
            place[found] = (int32_t)(f * FIELD + (p - there));
            best[found++] = least[p - there];
            least[p - there] = INT32_MAX;
        }
    }
    return found;
}

/* How many places each rank is the least at. */
static void win(const idx *next, idx end, const placed *room, int64_t *won)
{
    int32_t least[FIELD];
    for (idx k = 0; k < FIELD; k++) least[k] = INT32_MAX;
    for (idx f = 0, from = 0; f * FIELD < end; from = next[f++]) {
        least_of(room + from, next[f] - from, least);
        for (idx i = from; i < next[f]; i++) {
            int32_t *best = least + room[i].value % FIELD;
            if (room[i].at == *best) won[room[i].at]++, *best = INT32_MAX;
        }
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
    const int32_t own_width = (int32_t)o->own_width;
    idx x0 = w, y0 = o->rows, x1 = 0, y1 = 0;
    for (idx i = 0; i < n; i++) {
        const idx y = index[member[i]] / own_width * scale, x = index[member[i]] % own_width * scale;
        x0 = x < x0 ? x : x0, x1 = x > x1 ? x : x1;
        y0 = y < y0 ? y : y0, y1 = y > y1 ? y : y1;
    }
    x0 = within(x0 - reach, 0, w), y0 = within(y0 - reach, 0, o->rows);
    const idx across_ = within(x1 + scale + reach, 0, w) - x0, tall = within(y1 + scale + reach, 0, o->rows) - y0;
    /* Between two rows of the box lies a pixel that is none; it is barred where the picture ends there. */
    const idx pitch = across_ + 1, bars = x0 == 0 || x0 + across_ == w;
    if (pitch * tall + 1 > s->room) {
        free(s->seen);
        s->room = 2 * pitch * tall + 1;
        if (!(s->seen = calloc((size_t)s->room, 1))) return 0;
    }
    for (idx y = 0; bars && y <= tall; y++) s->seen[y * pitch] = 1;
    g->n = 0;
    for (idx i = 0; i < n; i++) {
        const idx y = index[member[i]] / own_width * scale, x = index[member[i]] % own_width * scale;
        const int32_t ground = o->opening[member[i]];
        if (!grown(g, scale * scale)) return 0;
        for (idx dy = 0; dy < scale; dy++)
            for (idx dx = 0; dx < scale; dx++) {
                const idx at = (y + dy) * w + x + dx;
                if ((double)(o->sign * o->full[at]) < (double)ground + half) continue;
                const idx own = (y + dy - y0) * pitch + x + dx - x0 + 1;
                s->seen[own] = 1;
                g->part[g->n] = (int32_t)own; /* for now */
                g->at[g->n] = (int32_t)at;
                g->ground[g->n++] = ground;
            }
    }
    for (idx step = 0, from = 0; step < reach && from < g->n; step++) {
        const idx to = g->n;
        if (!grown(g, 4 * (to - from))) return 0;
        for (int d = 0; d < 4; d++) {
            const idx move = d == 0 ? 1 : d == 1 ? -1 : d == 2 ? w : -w, own_move = d < 2 ? move : d == 2 ? pitch : -pitch;
            for (idx i = from; i < to; i++) {
                const idx at = g->at[i] + move, own = g->part[i] + own_move;
                if (at < 0 || at >= size || s->seen[own]
                    || (double)(o->sign * o->full[at]) < (double)g->ground[i] + half) continue;
                s->seen[own] = 1;
                g->part[g->n] = (int32_t)own;
                g->at[g->n] = (int32_t)at;
                g->ground[g->n++] = g->ground[i];
            }
        }
        from = to;
    }
    /* What was seen, row by row, is in order. */
    for (idx y = 0; bars && y <= tall; y++) s->seen[y * pitch] = 0;
    for (idx y = 0, k = 0; y < tall && k < g->n; y++)
        for (uint8_t *row = s->seen + y * pitch + 1, *p = row; (p = memchr(p, 1, (size_t)(row + across_ - p))); *p++ = 0)
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

/* --- what Python sees --- */

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

/* Pairs by field for what is left to do: of `claim` places and ranks are written, of `win` counts. */
static PyObject *py_claimed(PyObject *args, int counts)
{
    Py_buffer index, owner, rank, out, best = {0};
    idx n, count, found = 0;
    if (!PyArg_ParseTuple(args, counts ? "y*y*ny*nw*" : "y*y*ny*nw*w*", &index, &owner, &n, &rank, &count, &out, &best))
        return NULL;
    int fine = holds(&index, n, 4, "index") && holds(&owner, n, 4, "owner") && holds(&rank, count, 4, "rank")
               && holds(&out, counts ? count : n, counts ? 8 : 4, "out") && (counts || holds(&best, n, 4, "best"))
               && below(&index, n, INT32_MAX, "a place lies outside") && below(&owner, n, count, "there is no such owner")
               && (!counts || below(&rank, count, count, "there is no such rank"));
    idx end = 0;
    for (idx i = 0; fine && i < n; i++) end = end > ((int32_t *)index.buf)[i] ? end : ((int32_t *)index.buf)[i] + 1;
    placed *room = room_for(fine, n * (idx)sizeof *room);
    idx *next = room_for(room != NULL, (end / FIELD + 2) * (idx)sizeof *next);
    fine = next != NULL;
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        by_field(index.buf, owner.buf, n, rank.buf, end, next, room);
        if (counts) win(next, end, room, out.buf);
        else found = claim(next, end, room, out.buf, best.buf);
        Py_END_ALLOW_THREADS
    }
    free(room);
    free(next);
    PyObject *none = DONE(fine, &index, &owner, &rank, &out, &best);
    Py_XDECREF(none);
    return none ? PyLong_FromSsize_t(found) : NULL;
}

static PyObject *py_claim(PyObject *self, PyObject *args)
{
    (void)self;
    return py_claimed(args, 0);
}

static PyObject *py_win(PyObject *self, PyObject *args)
{
    (void)self;
    return py_claimed(args, 1);
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
