/* Of repair and kriging: all that filling asks of the surroundings of a hole. */

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

/* repair._left_out: the mean of the channels of pixels, on the scale the filling works on. */
static void greys(const float *planes, idx colours, const int64_t *at, idx n, float toe, float *out)
{
    for (idx i = 0; i < n; i++) {
        const float *p = planes + at[i] * colours;
        float sum = 0;
        for (idx c = 0; c < colours; c++) sum += p[c] == p[c] ? bent(p[c], toe) : 0;
        out[i] = sum / (float)colours;
    }
}

/* repair._spread, one step: the pixels next to the edge of a set that are not of it, in order, and the set with them. */
static idx spread(const int64_t *index, idx n, const int64_t *edge, idx m, idx h, idx w, int64_t *near, int64_t *all,
                  uint8_t *fresh)
{
    const int64_t move[4] = {-w, -1, 1, w};
    idx next[4] = {0}, found = 0, i = 0, k = 0;
    for (int64_t last = -1;;) {
        int64_t least = INT64_MAX;
        for (int d = 0; d < 4; d++) {
            /* Beyond the picture there is none. */
            while (next[d] < m
                   && (d == 0 ? edge[next[d]] < w : d == 3 ? edge[next[d]] >= (h - 1) * w
                       : edge[next[d]] % w == (d == 1 ? 0 : w - 1))) next[d]++;
            if (next[d] < m && edge[next[d]] + move[d] < least) least = edge[next[d]] + move[d];
        }
        if (least == INT64_MAX) break;
        for (int d = 0; d < 4; d++) next[d] += next[d] < m && edge[next[d]] + move[d] == least;
        if (least == last) continue;
        last = least;
        for (; i < n && index[i] < least; i++) fresh[k] = 0, all[k++] = index[i];
        if (i < n && index[i] == least) continue;
        near[found++] = least;
        fresh[k] = 1, all[k++] = least;
    }
    for (; i < n; i++) fresh[k] = 0, all[k++] = index[i];
    return found;
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
        /* What is known of the number of channels is taken apart in vectors. */
        if (colours == 3)
            for (idx c = 0; c < 3; c++)
                for (idx i = 0; i < n; i++) light[c * size + at + i] = p[3 * i + c];
        else
            for (idx c = 0; c < colours; c++)
                for (idx i = 0; i < n; i++) light[c * size + at + i] = p[i * colours + c];
        for (idx c = 0; c < colours; c++) {
            float *o = light + c * size + at;
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
            key[k] = steps * (steps > 4 || it == RIM ? r->thin[k] : 1.0f + 0.01f * (r->thin[k] - 1.0f));
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

/* Of n solutions the mean of each column, by those of ones beside them, and the solutions without it. */
static void centred(float *solved, idx n, idx columns, float *left)
{
    float sum[COLUMNS] = {0};
    for (idx i = 0; i < n; i++)
        for (idx k = 0; k <= columns; k++) sum[k] += solved[i * COLUMNS + k];
    for (idx k = 0; k < columns; k++) left[k] = sum[k] / most(sum[columns], 1e-6f);
    for (idx i = 0; i < n; i++)
        for (idx k = 0; k < columns; k++) solved[i * COLUMNS + k] -= solved[i * COLUMNS + columns] * left[k];
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

/* kriging._put_together, one hole. */
static void put_together(const float *both, const float *left, const float *low, const float *high, const float *mean,
                         const float *light, idx colours, idx size, const int64_t *at, idx n, idx offset, float *base,
                         float *fill, float *rest)
{
    for (idx i = 0; i < n; i++, both += 2 * colours) {
        float sum = 0;
        for (idx c = 0; c < colours; c++) {
            const float local = mean[c * size + at[i]], v = local + (both[c] + left[c]);
            fill[i * colours + c] = v < low[c] ? low[c] : v > high[c] ? high[c] : v;
            rest[i * colours + c] = light[c * size + at[i] + offset] - (both[colours + c] + left[colours + c]);
            sum += local;
        }
        base[i] = sum / (float)colours;
    }
}

/* kriging._limits, one hole. */
static void limits(const float *value, const float *level, const uint8_t *there, idx points, idx colours, float beyond,
                   float *low, float *high, double *spread)
{
    idx many = 0;
    double total = 0;
    for (idx i = 0; i < points; i++) many += there[i];
    many = many > 1 ? many : 1;
    for (idx c = 0; c < colours; c++) {
        float least = INFINITY, best = -INFINITY, sum = 0;
        double squares = 0;
        for (idx i = 0; i < points; i++) {
            const float v = value[i * colours + c], both = v + level[i * colours + c];
            if (!there[i]) continue;
            /* What is no number stays. */
            least = both < least || both != both ? both : least;
            best = both > best || both != both ? both : best;
            sum += v;
        }
        const double mean = (double)sum / (double)many;
        for (idx i = 0; i < points; i++) {
            const double rest = there[i] ? value[i * colours + c] - mean : 0;
            squares += rest * rest;
        }
        total += squares / (double)many;
        const float more = beyond * (best - least);
        low[c] = least - more, high[c] = best + more;
    }
    *spread = total / (double)colours;
}

/* --- what Python sees --- */

static PyObject *py_limits(PyObject *self, PyObject *args)
{
    Py_buffer value, level, there, low, high, spread;
    idx n, points, colours;
    float beyond;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*y*y*nnnfw*w*w*", &value, &level, &there, &n, &points, &colours, &beyond, &low, &high,
                          &spread))
        return NULL;
    const idx size = points * colours;
    const int fine = inside(n >= 0 && points >= 0 && colours > 0, "no points") && holds(&value, n * size, 4, "values")
                     && holds(&level, n * size, 4, "level") && holds(&there, n * points, 1, "there")
                     && holds(&low, n * colours, 4, "low") && holds(&high, n * colours, 4, "high")
                     && holds(&spread, n, 8, "spread");
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        for (idx i = 0; i < n; i++)
            limits((float *)value.buf + i * size, (float *)level.buf + i * size, (uint8_t *)there.buf + i * points, points,
                   colours, beyond, (float *)low.buf + i * colours, (float *)high.buf + i * colours, (double *)spread.buf + i);
        Py_END_ALLOW_THREADS
    }
    return DONE(fine, &value, &level, &there, &low, &high, &spread);
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

static PyObject *py_greys(PyObject *self, PyObject *args)
{
    Py_buffer planes, at, out;
    idx size, colours, n;
    float toe;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nny*nfw*", &planes, &size, &colours, &at, &n, &toe, &out)) return NULL;
    const int fine = inside(size >= 0 && colours > 0, "no picture") && holds(&planes, size * colours, 4, "planes")
                     && holds(&at, n, 8, "at") && holds(&out, n, 4, "out") && between(&at, n, 0, size, "a pixel lies outside");
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        greys(planes.buf, colours, at.buf, n, toe, out.buf);
        Py_END_ALLOW_THREADS
    }
    return DONE(fine, &planes, &at, &out);
}

static PyObject *py_spread(PyObject *self, PyObject *args)
{
    Py_buffer index, edge, near, all, fresh;
    idx n, m, h, w, found = 0;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*ny*nnnw*w*w*", &index, &n, &edge, &m, &h, &w, &near, &all, &fresh)) return NULL;
    const int fine = inside(h > 0 && w > 0 && n >= 0 && m >= 0, "no picture") && holds(&index, n, 8, "index")
                     && holds(&edge, m, 8, "edge") && holds(&near, 4 * m, 8, "near") && holds(&all, n + 4 * m, 8, "all")
                     && holds(&fresh, n + 4 * m, 1, "fresh") && rises(&index, n) && rises(&edge, m)
                     && between(&index, n, 0, h * w, "a pixel lies outside")
                     && between(&edge, m, 0, h * w, "a pixel lies outside");
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        found = spread(index.buf, n, edge.buf, m, h, w, near.buf, all.buf, fresh.buf);
        Py_END_ALLOW_THREADS
    }
    PyObject *none = DONE(fine, &index, &edge, &near, &all, &fresh);
    Py_XDECREF(none);
    return none ? PyLong_FromSsize_t(found) : NULL;
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
    Py_buffer table, place, ok, diagonal, given, out, left;
    idx n, lags, points, zero, columns;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nny*nny*y*y*nw*w*", &table, &n, &lags, &place, &points, &zero, &ok, &diagonal, &given,
                          &columns, &out, &left))
        return NULL;
    int fine = inside(n >= 0 && lags > 0 && points >= 0 && points <= 1000 && zero >= 0 && zero < lags && columns > 0
                      && columns < COLUMNS, "no table")
               && holds(&table, n * lags, 4, "table") && holds(&place, n * points, 8, "place") && holds(&ok, n * points, 1,
                                                                                                        "ok")
               && holds(&diagonal, n * points, 4, "diagonal") && holds(&given, n * points * columns, 4, "given")
               && holds(&out, n * points * columns, 4, "out") && holds(&left, n * columns, 4, "left");
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
                if (counts[j]) {
                    float *right = room + ++k * pitch - COLUMNS;
                    memcpy(right, (float *)given.buf + (from + j) * columns, (size_t)columns * 4);
                    right[columns] = 1;
                }
            factored(room, rows, pitch);
            solutions(room, rows, pitch, both);
            centred(both, m, columns, (float *)left.buf + i * columns);
            for (idx j = 0, k = 0; j < points; j++, to += columns)
                if (counts[j]) memcpy(to, both + COLUMNS * k++, (size_t)columns * 4);
                else memset(to, 0, (size_t)columns * 4);
        }
        Py_END_ALLOW_THREADS
    }
    free(lag);
    free(room);
    return DONE(room != NULL, &table, &place, &ok, &diagonal, &given, &out, &left);
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

static PyObject *py_put_together(PyObject *self, PyObject *args)
{
    Py_buffer both, left, low, high, mean, light, begin, at, offset, base, fill, rest;
    idx n, colours, size;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*y*y*y*y*y*nnny*y*y*w*w*w*", &both, &left, &low, &high, &mean, &light, &n, &colours, &size,
                          &begin, &at, &offset, &base, &fill, &rest))
        return NULL;
    const int64_t *b = begin.buf, *place = at.buf, *off = offset.buf;
    int fine = inside(colours > 0 && size > 0, "no planes") && holes_within(&begin, n, &at, &at, 0, size)
               && holds(&left, 2 * n * colours, 4, "left") && holds(&low, n * colours, 4, "low")
               && holds(&high, n * colours, 4, "high") && holds(&mean, n * colours * size, 4, "mean")
               && holds(&light, n * colours * size, 4, "light") && holds(&offset, n, 8, "offset")
               && holds(&both, 2 * b[n] * colours, 4, "both") && holds(&base, b[n], 4, "base")
               && holds(&fill, b[n] * colours, 4, "fill") && holds(&rest, b[n] * colours, 4, "rest");
    for (idx i = 0; fine && i < n; i++)
        for (int64_t k = b[i]; fine && k < b[i + 1]; k++)
            fine = inside(place[k] + off[i] >= 0 && place[k] + off[i] < size, "a pixel lies outside");
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        for (idx i = 0; i < n; i++)
            put_together((float *)both.buf + 2 * b[i] * colours, (float *)left.buf + 2 * i * colours,
                         (float *)low.buf + i * colours, (float *)high.buf + i * colours,
                         (float *)mean.buf + i * colours * size, (float *)light.buf + i * colours * size, colours, size,
                         place + b[i], b[i + 1] - b[i], off[i], (float *)base.buf + b[i], (float *)fill.buf + b[i] * colours,
                         (float *)rest.buf + b[i] * colours);
        Py_END_ALLOW_THREADS
    }
    return DONE(fine, &both, &left, &low, &high, &mean, &light, &begin, &at, &offset, &base, &fill, &rest);
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
