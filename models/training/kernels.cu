// Rasteriser, shader, compositor, tone curve and block coding of the training pictures.
//
// kernels.py puts the names of the parameter columns (S_..., C_..., L_..., Q_..., O_..., D_..., T_...) in front of this
// text and compiles it with NVRTC for a GPU, or with g++ -DCPU for slow checks. Every kernel works on one item `i`.
// Pixel convention here: the corner of the top left pixel is (0, 0), its centre (0.5, 0.5).
#ifdef CPU
#include <algorithm>
#include <cmath>
#include <cstring>
using std::max;
using std::min;
#define DEVICE static inline
static inline unsigned float_bits(float f) { unsigned u; memcpy(&u, &f, 4); return u; }
static inline float bits_float(unsigned u) { float f; memcpy(&f, &u, 4); return f; }
static inline float rsqrtf(float x) { return 1 / sqrtf(x); }
static inline void keep_smallest(unsigned long long *p, unsigned long long v) { if (v < *p) *p = v; }
#define KERNEL(name, items, parameters, call) \
    extern "C" void name parameters { for (long long i = 0; i < (items); i++) call; }
#else
#define DEVICE __device__ inline
#define float_bits __float_as_uint
#define bits_float __uint_as_float
#define keep_smallest(p, v) atomicMin(p, v)
#define KERNEL(name, items, parameters, call) \
    extern "C" __global__ void name parameters { \
        long long i = (long long)blockIdx.x * blockDim.x + threadIdx.x; \
        if (i < (items)) call; \
    }
#endif
typedef unsigned long long u64;
typedef unsigned char byte;
#define EMPTY 0xffffffffffffffffULL  // a depth cell that nothing was drawn to

DEVICE float clamp01(float x) { return fminf(fmaxf(x, 0.f), 1.f); }
DEVICE byte to_byte(float x) { return (byte)(clamp01(x) * 255 + .5f); }

// ---- noise ----
DEVICE unsigned hash(unsigned x) {
    x ^= x >> 16; x *= 0x7feb352dU; x ^= x >> 15; x *= 0x846ca68bU; x ^= x >> 16;
    return x;
}
DEVICE float lattice(int x, int y, int z, unsigned seed) {
    return (hash((unsigned)x * 73856093u ^ (unsigned)y * 19349663u ^ (unsigned)z * 83492791u ^ seed) & 0xffffff) / 16777216.f;
}
// Smoothly interpolated lattice noise, 0..1.
DEVICE float value_noise(float x, float y, float z, unsigned seed) {
    int xi = floorf(x), yi = floorf(y), zi = floorf(z);
    float fx = x - xi, fy = y - yi, fz = z - zi, sum = 0;
    fx = fx * fx * (3 - 2 * fx); fy = fy * fy * (3 - 2 * fy); fz = fz * fz * (3 - 2 * fz);
    for (int k = 0; k < 8; k++) {
        int a = k & 1, b = (k >> 1) & 1, c = k >> 2;
        sum += lattice(xi + a, yi + b, zi + c, seed) * (a ? fx : 1 - fx) * (b ? fy : 1 - fy) * (c ? fz : 1 - fz);
    }
    return sum;
}
// Octaves of it, centred on zero.
DEVICE float fractal_noise(float x, float y, float z, unsigned seed, int octaves) {
    float sum = 0, weight = .5f;
    for (int o = 0; o < octaves; o++) {
        sum += weight * (value_noise(x, y, z, seed + o) - .5f);
        x *= 2.1f; y *= 2.1f; z *= 2.1f; weight *= .5f;
    }
    return sum;
}

// ---- rasteriser: item = one triangle of one picture; the depth cell keeps (depth, triangle) of the nearest ----
DEVICE float twice_area(const float *a, const float *b, float px, float py) {
    return (px - a[0]) * (b[1] - a[1]) - (b[0] - a[0]) * (py - a[1]);
}
DEVICE void raster_one(long long i, const float *points, const int *triangles, u64 *depth, int vertices, int faces, int W, int H) {
    long long image = i / faces;
    int t = i % faces;
    const float *p = points + image * vertices * 3;
    const float *a = p + 3 * triangles[3 * t], *b = p + 3 * triangles[3 * t + 1], *c = p + 3 * triangles[3 * t + 2];
    if (a[2] < .1f || b[2] < .1f || c[2] < .1f) return;
    float x0 = fminf(a[0], fminf(b[0], c[0])), x1 = fmaxf(a[0], fmaxf(b[0], c[0]));
    float y0 = fminf(a[1], fminf(b[1], c[1])), y1 = fmaxf(a[1], fmaxf(b[1], c[1]));
    if (!(x1 > x0) || x1 < 0 || y1 < 0 || x0 > W || y0 > H) return;
    int xa = max(0, (int)ceilf(x0 - .5f)), xb = min(W - 1, (int)floorf(x1 - .5f));
    int ya = max(0, (int)ceilf(y0 - .5f)), yb = min(H - 1, (int)floorf(y1 - .5f));
    float area = (b[0] - a[0]) * (c[1] - a[1]) - (c[0] - a[0]) * (b[1] - a[1]);
    if (fabsf(area) < 1e-9f) return;
    for (int y = ya; y <= yb; y++)
        for (int x = xa; x <= xb; x++) {
            float w1 = twice_area(a, c, x + .5f, y + .5f) / area, w2 = -twice_area(a, b, x + .5f, y + .5f) / area;
            float w0 = 1 - w1 - w2;
            if (w0 < 0 || w1 < 0 || w2 < 0) continue;
            float z = 1 / (w0 / a[2] + w1 / b[2] + w2 / c[2]);
            keep_smallest(&depth[(image * H + y) * W + x], ((u64)float_bits(z) << 32) | (unsigned)t);
        }
}
KERNEL(raster, (long long)images * faces,
       (const float *points, const int *triangles, u64 *depth, int images, int vertices, int faces, int W, int H),
       raster_one(i, points, triangles, depth, vertices, faces, W, H))

// ---- shader: item = one output pixel; samples x samples of the person, one of the procedural background ----
DEVICE const byte *texel(const byte *textures, float index, float u, float v) {
    int x = min(127, max(0, (int)(u * 128))), y = min(127, max(0, (int)(v * 128)));
    return textures + ((((long long)index) * 128 + y) * 128 + x) * 4;
}
DEVICE void lay_over(float *colour, const byte *rgba, float amount) {
    float weight = amount * rgba[3] / 255.f;
    for (int j = 0; j < 3; j++) colour[j] += (rgba[j] / 255.f - colour[j]) * weight;
}
struct Surface { float normal[3], rest[3], light[3]; int part; };  // interpolated over a triangle

DEVICE void surface_colour(const Surface &f, const float *scene, const float *cloth, const float *decals, const byte *textures,
                           const u64 *light_depth, int light_size, float *out) {
    const float *sun = scene + S_SUN, *g = f.rest;
    unsigned seed = (unsigned)scene[S_SEED];
    float n[3] = {f.normal[0], f.normal[1], f.normal[2]};
    float scale = rsqrtf(n[0] * n[0] + n[1] * n[1] + n[2] * n[2] + 1e-9f);
    float facing = (n[0] * sun[0] + n[1] * sun[1] + n[2] * sun[2]) * scale;
    float grain = 0;
    if (cloth[C_NOISE] > 0) {
        float q = cloth[C_NOISE_FREQUENCY];
        grain = fractal_noise(g[0] * q, g[1] * q, g[2] * q, seed + f.part * 17, 3);
    }
    if (cloth[C_WRINKLE] > 0) {
        float q = cloth[C_WRINKLE_FREQUENCY];
        for (int j = 0; j < 3; j++)
            n[j] += cloth[C_WRINKLE] * 2 * fractal_noise(g[0] * q + j * 9.1f, g[1] * q * .6f, g[2] * q, seed + 91 + j * 7 + f.part, 3);
    }
    scale = rsqrtf(n[0] * n[0] + n[1] * n[1] + n[2] * n[2] + 1e-9f);
    for (int j = 0; j < 3; j++) n[j] *= scale;
    float lit = fmaxf(0.f, n[0] * sun[0] + n[1] * sun[1] + n[2] * sun[2]), sky = .5f + .5f * n[1];
    int ix = (int)floorf(f.light[0]), iy = (int)floorf(f.light[1]);
    if (scene[S_SELF_SHADOW] > 0 && ix >= 0 && iy >= 0 && ix < light_size && iy < light_size) {
        u64 nearest = light_depth[(long long)iy * light_size + ix];
        float bias = .012f + .03f * (1 - fmaxf(facing, 0.f));
        if (nearest != EMPTY && f.light[2] > bits_float((unsigned)(nearest >> 32)) + bias) lit *= 1 - scene[S_SELF_SHADOW];
    }
    float colour[3] = {cloth[C_COLOUR], cloth[C_COLOUR + 1], cloth[C_COLOUR + 2]};
    if (cloth[C_STRIPE] > 0 && sinf(g[(int)cloth[C_STRIPE_AXIS]] * cloth[C_STRIPE_FREQUENCY] + cloth[C_OFFSET]) > cloth[C_STRIPE_LEVEL])
        for (int j = 0; j < 3; j++) colour[j] += (cloth[C_STRIPE_COLOUR + j] - colour[j]) * cloth[C_STRIPE];
    if (cloth[C_TEXTURE] > 0) {
        float u = (g[0] + g[2] * .8f) * cloth[C_TEXTURE_SCALE] + cloth[C_OFFSET], v = -g[1] * cloth[C_TEXTURE_SCALE] + cloth[C_OFFSET + 1];
        lay_over(colour, texel(textures, cloth[C_TEXTURE_INDEX], u - floorf(u), v - floorf(v)), cloth[C_TEXTURE]);
    }
    bool shirt = f.part == PART_SHIRT || f.part == PART_SLEEVE || f.part == PART_TRIM, trousers = f.part == PART_TROUSERS;
    if (shirt || trousers)
        for (int k = 0; k < DECALS; k++) {
            const float *d = decals + k * DECAL_COLUMNS;
            if (d[D_AMOUNT] <= 0 || (d[D_TROUSERS] > 0) != trousers || d[D_FACING] * g[2] <= 0) continue;
            float u = (g[0] - d[D_X]) / d[D_HALF_WIDTH] * d[D_FACING], v = (d[D_Y] - g[1]) / d[D_HALF_HEIGHT];
            if (fabsf(u) < 1 && fabsf(v) < 1) lay_over(colour, texel(textures, d[D_TEXTURE], u * .5f + .5f, v * .5f + .5f), d[D_AMOUNT]);
        }
    float half[3], glance = 0, length = 1e-6f;
    for (int j = 0; j < 3; j++) { half[j] = sun[j] - scene[S_FORWARD + j]; length += half[j] * half[j]; }
    for (int j = 0; j < 3; j++) glance += n[j] * half[j] * rsqrtf(length);
    float shine = lit > 0 ? cloth[C_SHINE] * powf(fmaxf(0.f, glance), 24.f) * scene[S_DIFFUSE] : 0.f;
    for (int j = 0; j < 3; j++) {
        float light = scene[S_AMBIENT] * scene[S_SKY_TINT + j] * (.55f + .45f * sky) + scene[S_DIFFUSE] * lit * scene[S_SUN_TINT + j];
        float base = fminf(fmaxf(colour[j] * (1 + cloth[C_NOISE] * grain * 2), .015f), 1.f);
        out[j] += clamp01((base * light + shine * scene[S_SUN_TINT + j]) * scene[S_GAIN + j]);
    }
}

// Ground with the person's shadow, and behind it a wall or the sky.
DEVICE void background_colour(const float *s, int x, int y, int samples, bool shadowed, float *out) {
    float scale = s[S_VIEW_SCALE] * samples, vx = (x + .5f - s[S_VIEW_CENTRE] / samples) * scale, vy = -(y + .5f - s[S_VIEW_CENTRE + 1] / samples) * scale;
    float ray[3];
    for (int j = 0; j < 3; j++) ray[j] = s[S_RIGHT + j] * vx + s[S_UP + j] * vy + s[S_FORWARD + j];
    float level = sqrtf(ray[0] * ray[0] + ray[2] * ray[2]), height = s[S_CAMERA_HEIGHT];
    float to_ground = ray[1] < -1e-4f ? -height / ray[1] : 1e9f, to_wall = s[S_WALL_DISTANCE] / fmaxf(level, 1e-4f);
    bool ground = to_ground < to_wall;
    float gx, gy, gz, frequency, light = 1, pattern = 0;
    if (ground) {
        gx = s[S_GROUND_ORIGIN] + ray[0] * to_ground; gy = 0; gz = s[S_GROUND_ORIGIN + 1] + ray[2] * to_ground;
        frequency = s[S_GROUND_FREQUENCY];
        if (shadowed) light = s[S_SHADOW_GAIN];
        if (s[S_GROUND_LINES] != 0 && sinf(gx * s[S_LINE_DIRECTION] + gz * s[S_LINE_DIRECTION + 1]) > .8f) pattern = s[S_GROUND_LINES];
    } else {
        gx = atan2f(ray[0], ray[2]) * 6.f; gy = (height + ray[1] * to_wall) * .7f; gz = 3.7f;
        frequency = s[S_WALL_FREQUENCY];
        float q = s[S_WALL_PATTERN_FREQUENCY];
        if (s[S_WALL_PATTERN] != 0 && sinf(gx * q + (unsigned)s[S_SEED] % 7) * sinf(gy * q * .7f) > .3f) pattern = s[S_WALL_PATTERN];
    }
    unsigned seed = (unsigned)s[S_SEED];
    float fine = fractal_noise(gx * frequency, gy * frequency, gz * frequency, seed + 7, 4), blotch = fractal_noise(gx * .35f, gy * .35f, gz * .35f, seed + 8, 3);
    const float *base = s + (ground ? S_GROUND_COLOUR : S_WALL_COLOUR);
    for (int j = 0; j < 3; j++)
        out[j] = (base[j] * (1 + s[S_BACK_NOISE] * fine * 2 + s[S_BACK_BLOTCH] * blotch * 2) + pattern) * light * s[S_GAIN + j];
}

DEVICE void shade_one(long long i, const float *points, const float *normals, const float *rest, const float *light, const int *triangles, const byte *part,
                      const u64 *depth, const u64 *shadow, const u64 *light_depth, const float *scenes, const float *cloths, const float *decals,
                      const byte *textures, byte *person, byte *background, int vertices, int W, int H, int samples, int light_size) {
    long long image = i / (H * W), first = image * vertices;
    int y = (i / W) % H, x = i % W, covered = 0;
    const float *scene = scenes + image * SCENE_COLUMNS;
    float sum[3] = {0, 0, 0};
    for (int k = 0; k < samples * samples; k++) {
        int sx = x * samples + k % samples, sy = y * samples + k / samples;
        u64 cell = depth[(image * H * samples + sy) * W * samples + sx];
        if (cell == EMPTY) continue;
        covered++;
        const int *v = triangles + 3 * (int)(cell & 0xffffffffu);
        const float *p = points + first * 3, *a = p + 3 * v[0], *b = p + 3 * v[1], *c = p + 3 * v[2];
        float area = (b[0] - a[0]) * (c[1] - a[1]) - (c[0] - a[0]) * (b[1] - a[1]), w[3];
        w[1] = twice_area(a, c, sx + .5f, sy + .5f) / area; w[2] = -twice_area(a, b, sx + .5f, sy + .5f) / area; w[0] = 1 - w[1] - w[2];
        w[0] /= a[2]; w[1] /= b[2]; w[2] /= c[2];  // perspective
        float total = w[0] + w[1] + w[2];
        Surface f = {{0, 0, 0}, {0, 0, 0}, {0, 0, 0}, 0};
        int heaviest = 0;
        for (int m = 0; m < 3; m++) {
            w[m] /= total;
            if (w[m] > w[heaviest]) heaviest = m;
            for (int j = 0; j < 3; j++) {
                long long at = (first + v[m]) * 3 + j;
                f.normal[j] += w[m] * normals[at]; f.rest[j] += w[m] * rest[at]; f.light[j] += w[m] * light[at];
            }
        }
        f.part = part[first + v[heaviest]];
        surface_colour(f, scene, cloths + (image * PARTS + f.part) * CLOTH_COLUMNS, decals + image * DECALS * DECAL_COLUMNS, textures,
                       light_depth + image * light_size * light_size, light_size, sum);
    }
    float back[3], share = 1.f / (samples * samples);
    background_colour(scene, x, y, samples, shadow[i] != EMPTY, back);
    long long plane = (long long)H * W, at = (long long)y * W + x;
    for (int j = 0; j < 3; j++) {
        person[(image * 4 + j) * plane + at] = to_byte(sum[j] * share);
        background[(image * 3 + j) * plane + at] = to_byte(back[j]);
    }
    person[(image * 4 + 3) * plane + at] = to_byte(covered * share);
}
KERNEL(shade, (long long)images * H * W,
       (const float *points, const float *normals, const float *rest, const float *light, const int *triangles, const byte *part, const u64 *depth,
        const u64 *shadow, const u64 *light_depth, const float *scenes, const float *cloths, const float *decals, const byte *textures, byte *person,
        byte *background, int images, int vertices, int W, int H, int samples, int light_size),
       shade_one(i, points, normals, rest, light, triangles, part, depth, shadow, light_depth, scenes, cloths, decals, textures, person, background,
                 vertices, W, H, samples, light_size))

// ---- compositor: item = one pixel of a crop, put together from layers ----
// Bilinear look-up in a planar byte picture; outside: mirrored, or nothing.
DEVICE void look_up(const byte *picture, int channels, int H, int W, float x, float y, bool mirrored, float *out) {
    x -= .5f; y -= .5f;
    int xi = (int)floorf(x), yi = (int)floorf(y);
    float fx = x - xi, fy = y - yi;
    for (int c = 0; c < channels; c++) out[c] = 0;
    if (!mirrored && (xi < -1 || yi < -1 || xi >= W || yi >= H)) return;
    for (int k = 0; k < 4; k++) {
        int px = xi + (k & 1), py = yi + (k >> 1);
        float weight = ((k & 1) ? fx : 1 - fx) * ((k >> 1) ? fy : 1 - fy) / 255.f;
        if (mirrored) {
            px = (px < 0 ? -px - 1 : px) % (2 * W); py = (py < 0 ? -py - 1 : py) % (2 * H);
            if (px >= W) px = 2 * W - 1 - px;
            if (py >= H) py = 2 * H - 1 - py;
        } else if (px < 0 || py < 0 || px >= W || py >= H) continue;
        for (int c = 0; c < channels; c++) out[c] += weight * picture[((long long)c * H + py) * W + px];
    }
}
// A warp is a 2 x 2 matrix, the centre in the layer, the centre in the crop.
DEVICE void warp(const float *w, float x, float y, float *out) {
    float dx = x - w[6], dy = y - w[7];
    out[0] = w[0] * dx + w[1] * dy + w[4];
    out[1] = w[2] * dx + w[3] * dy + w[5];
}
DEVICE void draw_over(float *colour, const float *rgba, float gain) {
    for (int j = 0; j < 3; j++) colour[j] = colour[j] * (1 - rgba[3]) + fminf(rgba[j] * gain, 1.f);
}
// A rectangle or ellipse filled with a picture, a noisy colour or a gradient.
DEVICE void draw_object(const float *o, float x, float y, const float *picture, unsigned seed, float *colour, float *covered) {
    if (o[O_ON] <= 0) return;
    float dx = x - o[O_CENTRE], dy = y - o[O_CENTRE + 1];
    float p = (dx * o[O_COS] + dy * o[O_SIN]) / o[O_HALF_WIDTH], q = (-dx * o[O_SIN] + dy * o[O_COS]) / o[O_HALF_HEIGHT];
    float distance = o[O_RECTANGLE] > 0 ? fmaxf(fabsf(p), fabsf(q)) : sqrtf(p * p + q * q);
    float cover = clamp01((1 - distance) * fminf(o[O_HALF_WIDTH], o[O_HALF_HEIGHT]) / o[O_EDGE] + .5f);
    if (cover <= 0) return;
    for (int j = 0; j < 3; j++) {
        float value = o[O_FILL] == 0 ? picture[j] : o[O_COLOUR + j] * (1 + o[O_GRADIENT] * fminf(fmaxf(q, -1.f), 1.f));
        if (o[O_FILL] == 1) value += (lattice((int)x, (int)y, j, seed) - .5f) * .25f;
        colour[j] += (clamp01(value) - colour[j]) * cover;
    }
    *covered = fmaxf(*covered, cover);
}
DEVICE void compose_one(long long i, const byte *persons, const byte *backgrounds, const byte *photos, const float *layers, const float *crops,
                        const float *objects, float *out, byte *covered_out, int W, int H) {
    long long image = i / (H * W), plane = (long long)H * W;
    int yy = (i / W) % H, xx = i % W;
    float x = xx + .5f, y = yy + .5f, at[2], colour[3] = {0, 0, 0}, rgba[4], filling[3], covered = 0, ignored = 0;
    const float *layer = layers + image * LAYERS * LAYER_COLUMNS, *q = crops + image * CROP_COLUMNS, *o = objects + image * OBJECTS * OBJECT_COLUMNS;
    warp(q + Q_PHOTO_WARP, x, y, at);
    look_up(photos + (long long)q[Q_FILLING] * 3 * PHOTO_SIDE * PHOTO_SIDE, 3, PHOTO_SIDE, PHOTO_SIDE, at[0], at[1], true, filling);
    bool own = q[Q_BACKGROUND] == 0 || (q[Q_BACKGROUND] == 1 && y > q[Q_HORIZON]);
    int taps = q[Q_DEFOCUS] > 0 ? 13 : 1;  // defocused background: a spiral of taps
    for (int k = 0; k < taps; k++) {
        float radius = k ? q[Q_DEFOCUS] * (k < 5 ? .5f : 1.f) : 0.f, angle = k * 2.39996f, px = x + radius * cosf(angle), py = y + radius * sinf(angle);
        if (own) {
            warp(layer + L_WARP, px, py, at);
            look_up(backgrounds + (long long)layer[L_INDEX] * 3 * plane, 3, H, W, at[0], at[1], true, rgba);
        } else {
            warp(q + Q_PHOTO_WARP, px, py, at);
            look_up(photos + (long long)q[Q_PHOTO] * 3 * PHOTO_SIDE * PHOTO_SIDE, 3, PHOTO_SIDE, PHOTO_SIDE, at[0], at[1], true, rgba);
        }
        for (int j = 0; j < 3; j++) colour[j] += rgba[j] / taps;
    }
    for (int k = 0; k < OBJECTS_BEHIND; k++) draw_object(o + k * OBJECT_COLUMNS, x, y, filling, image * 7 + k, colour, &ignored);
    for (int pass = 0; pass < 3; pass++) {  // further people behind, the main person, further people in front
        if (pass == 1) {
            float fade = q[Q_BLUR_FALLOFF] > 0 ? expf(-((x - q[Q_BLUR_CENTRE]) * (x - q[Q_BLUR_CENTRE]) + (y - q[Q_BLUR_CENTRE + 1]) * (y - q[Q_BLUR_CENTRE + 1])) * q[Q_BLUR_FALLOFF]) : 1.f;
            int steps = q[Q_BLUR] > 0 ? 9 : 1;  // motion blur along one direction, strongest round the blur centre
            float sum[4] = {0, 0, 0, 0};
            for (int k = 0; k < steps; k++) {
                float shift = steps > 1 ? (k - 4) * .25f * fade : 0.f;
                warp(layer + L_WARP, x + shift * q[Q_BLUR_VECTOR], y + shift * q[Q_BLUR_VECTOR + 1], at);
                look_up(persons + (long long)layer[L_INDEX] * 4 * plane, 4, H, W, at[0], at[1], false, rgba);
                for (int j = 0; j < 4; j++) sum[j] += rgba[j] / steps;
            }
            draw_over(colour, sum, layer[L_GAIN]);
            continue;
        }
        for (int k = 1; k < LAYERS; k++) {
            const float *other = layer + k * LAYER_COLUMNS;
            if (other[L_PLACE] != (pass == 0 ? 1.f : 2.f)) continue;
            warp(other + L_WARP, x, y, at);
            look_up(persons + (long long)other[L_INDEX] * 4 * plane, 4, H, W, at[0], at[1], false, rgba);
            draw_over(colour, rgba, other[L_GAIN]);
            if (pass == 2) covered = fmaxf(covered, rgba[3]);
        }
    }
    for (int k = OBJECTS_BEHIND; k < OBJECTS; k++) draw_object(o + k * OBJECT_COLUMNS, x, y, filling, image * 7 + k, colour, &covered);
    if (y > q[Q_SILL] + q[Q_SILL_SLOPE] * (x - W * .5f)) {  // a wall or table that hides what is below
        covered = 1;
        for (int j = 0; j < 3; j++) colour[j] = filling[j];
    }
    for (int j = 0; j < 3; j++) out[(image * 3 + j) * plane + (long long)yy * W + xx] = colour[j];
    covered_out[i] = (byte)(covered * 255);
}
KERNEL(compose, (long long)images * H * W,
       (const byte *persons, const byte *backgrounds, const byte *photos, const float *layers, const float *crops, const float *objects, float *out,
        byte *covered, int images, int W, int H),
       compose_one(i, persons, backgrounds, photos, layers, crops, objects, out, covered, W, H))

// ---- camera: item = one pixel; gain, contrast, gamma, colour cast, saturation, channel order, darkness, haze ----
DEVICE void tone_one(long long i, float *pictures, const float *tones, int pixels) {
    long long image = i / pixels, p = i % pixels;
    const float *t = tones + image * TONE_COLUMNS;
    float v[3], grey = 0;
    for (int j = 0; j < 3; j++) {
        float value = (pictures[(image * 3 + j) * pixels + p] * t[T_GAIN] - t[T_MEAN]) * t[T_CONTRAST] + t[T_MEAN];
        v[j] = powf(fminf(fmaxf(value, 1e-4f), 1.f), t[T_GAMMA]) * t[T_CAST + j];
        grey += v[j] / 3;
    }
    for (int j = 0; j < 3; j++) {
        float value = (grey + (v[(int)t[T_ORDER + j]] - grey) * t[T_SATURATION]) * t[T_DARKNESS];
        pictures[(image * 3 + j) * pixels + p] = clamp01(value + t[T_HAZE] * (1 - value));
    }
}
KERNEL(tone, (long long)images * pixels, (float *pictures, const float *tones, int images, int pixels), tone_one(i, pictures, tones, pixels))

// ---- block coding: brightness plane, half-size colour planes, quantised 8 x 8 cosine transform ----
// Item = 2 x 2 pixels.
DEVICE void split_one(long long i, const float *pictures, float *bright, float *colour, int h, int w) {
    int size = h * w, h2 = h / 2, w2 = w / 2, y = (i / w2) % h2, x = i % w2;
    long long image = i / (h2 * w2);
    float blue = 0, red = 0;
    for (int k = 0; k < 4; k++) {
        int p = (2 * y + (k >> 1)) * w + 2 * x + (k & 1);
        float r = pictures[image * 3 * size + p], g = pictures[(image * 3 + 1) * size + p], b = pictures[(image * 3 + 2) * size + p];
        bright[image * size + p] = .299f * r + .587f * g + .114f * b - .5f;
        blue += -.1687f * r - .3313f * g + .5f * b;
        red += .5f * r - .4187f * g - .0813f * b;
    }
    colour[image * 2 * h2 * w2 + y * w2 + x] = blue * .25f;
    colour[(image * 2 + 1) * h2 * w2 + y * w2 + x] = red * .25f;
}
KERNEL(split_colour, (long long)images * (h / 2) * (w / 2), (const float *pictures, float *bright, float *colour, int images, int h, int w),
       split_one(i, pictures, bright, colour, h, w))

// Item = one 8 x 8 block; basis = rows of the cosine transform; scale 0 leaves the picture alone.
DEVICE void quantise_one(long long i, float *planes, const float *table, const float *basis, const float *scales, int h, int w, int planes_per_image) {
    int across = w / 8, down = h / 8, r = i % (across * down);
    long long plane = i / (across * down);
    float *p = planes + plane * h * w + (r / across) * 8 * w + (r % across) * 8, scale = scales[plane / planes_per_image], a[64], t[64];
    if (scale <= 0) return;
    for (int y = 0; y < 8; y++)
        for (int u = 0; u < 8; u++) { float z = 0; for (int x = 0; x < 8; x++) z += p[y * w + x] * basis[u * 8 + x]; t[y * 8 + u] = z; }
    for (int u = 0; u < 8; u++)
        for (int v = 0; v < 8; v++) {
            float z = 0, step = table[v * 8 + u] * scale;
            for (int y = 0; y < 8; y++) z += t[y * 8 + u] * basis[v * 8 + y];
            a[v * 8 + u] = rintf(z / step) * step;
        }
    for (int u = 0; u < 8; u++)
        for (int y = 0; y < 8; y++) { float z = 0; for (int v = 0; v < 8; v++) z += a[v * 8 + u] * basis[v * 8 + y]; t[y * 8 + u] = z; }
    for (int y = 0; y < 8; y++)
        for (int x = 0; x < 8; x++) { float z = 0; for (int u = 0; u < 8; u++) z += t[y * 8 + u] * basis[u * 8 + x]; p[y * w + x] = z; }
}
KERNEL(quantise_blocks, (long long)planes_count * (h / 8) * (w / 8),
       (float *planes, const float *table, const float *basis, const float *scales, int planes_count, int h, int w, int planes_per_image),
       quantise_one(i, planes, table, basis, scales, h, w, planes_per_image))

// Item = one pixel.
DEVICE void join_one(long long i, float *pictures, const float *bright, const float *colour, const float *scales, int h, int w) {
    int size = h * w, h2 = h / 2, w2 = w / 2, p = i % size, y = p / w, x = p % w;
    long long image = i / size;
    if (scales[image] <= 0) return;
    float cy = fminf(fmaxf(y * .5f - .25f, 0.f), h2 - 1.f), cx = fminf(fmaxf(x * .5f - .25f, 0.f), w2 - 1.f), c[2];
    int y0 = (int)cy, x0 = (int)cx, y1 = min(y0 + 1, h2 - 1), x1 = min(x0 + 1, w2 - 1);
    float fy = cy - y0, fx = cx - x0;
    for (int k = 0; k < 2; k++) {
        const float *q = colour + (image * 2 + k) * h2 * w2;
        c[k] = (q[y0 * w2 + x0] * (1 - fx) + q[y0 * w2 + x1] * fx) * (1 - fy) + (q[y1 * w2 + x0] * (1 - fx) + q[y1 * w2 + x1] * fx) * fy;
    }
    float l = bright[i] + .5f, v[3] = {l + 1.402f * c[1], l - .34414f * c[0] - .71414f * c[1], l + 1.772f * c[0]};
    for (int j = 0; j < 3; j++) pictures[(image * 3 + j) * size + p] = clamp01(v[j]);
}
KERNEL(join_colour, (long long)images * h * w, (float *pictures, const float *bright, const float *colour, const float *scales, int images, int h, int w),
       join_one(i, pictures, bright, colour, scales, h, w))
