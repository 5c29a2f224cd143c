/*
 * A telephone of known answer, from a plan of plain numbers: plant PLAN IN.wav OUT.wav
 *
 * The programme passes second-order sections, a polynomial and more sections, reaches a recorder
 * whose clock is off, and is disturbed there: lines of the mains, noise through sections of its
 * own, a fault. Says the largest sample on its output. `slow.py` is the same in plain Python, and a
 * test holds the two to each other.
 */
#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define HALF_TAPS 24
#define PHASES 512
#define BETA 9.0
#define LARGEST_LIST 64

static const double PI = 3.14159265358979323846;

typedef struct { int count; double value[5 * LARGEST_LIST]; } List;
typedef struct { int rate_hz; long count; double *sample; } Sound;

typedef struct {
    double drift_ppm, latency_s, tail_s, gain, noise_rms;
    int bits, fault;
    uint64_t seed;
    double fault_at_s, fault_length_s, fault_size;
    List before, polynomial, after, noise, hum;
} Plan;

static void stop(const char *why) { fprintf(stderr, "%s\n", why); exit(1); }

static void read_list(FILE *file, List *list) {
    if (fscanf(file, "%d", &list->count) != 1 || list->count < 0 || list->count > 5 * LARGEST_LIST)
        stop("the plan holds a list of no length");
    for (int i = 0; i < list->count; i++)
        if (fscanf(file, "%lf", &list->value[i]) != 1) stop("the plan ends within a list");
}

static Plan read_plan(const char *path) {
    Plan plan;
    char name[32];
    FILE *file = fopen(path, "r");
    if (!file) stop("the plan cannot be read");
    memset(&plan, 0, sizeof plan);
    while (fscanf(file, "%31s", name) == 1) {
        List one;
        if (!strcmp(name, "seed")) {
            unsigned long long seed;
            if (fscanf(file, "%llu", &seed) != 1) stop("the plan's seed is no number");
            plan.seed = seed;
            continue;
        }
        read_list(file, &one);
        if (!strcmp(name, "before")) plan.before = one;
        else if (!strcmp(name, "polynomial")) plan.polynomial = one;
        else if (!strcmp(name, "after")) plan.after = one;
        else if (!strcmp(name, "noise")) plan.noise = one;
        else if (!strcmp(name, "hum")) plan.hum = one;
        else if (one.count != 1) stop("the plan has a list where one number belongs");
        else if (!strcmp(name, "drift_ppm")) plan.drift_ppm = one.value[0];
        else if (!strcmp(name, "latency_s")) plan.latency_s = one.value[0];
        else if (!strcmp(name, "tail_s")) plan.tail_s = one.value[0];
        else if (!strcmp(name, "gain")) plan.gain = one.value[0];
        else if (!strcmp(name, "noise_rms")) plan.noise_rms = one.value[0];
        else if (!strcmp(name, "bits")) plan.bits = (int)one.value[0];
        else if (!strcmp(name, "fault")) plan.fault = (int)one.value[0];
        else if (!strcmp(name, "fault_at_s")) plan.fault_at_s = one.value[0];
        else if (!strcmp(name, "fault_length_s")) plan.fault_length_s = one.value[0];
        else if (!strcmp(name, "fault_size")) plan.fault_size = one.value[0];
        else stop("the plan names what there is none of");
    }
    fclose(file);
    return plan;
}

static uint32_t small_end(const unsigned char *byte, int count) {
    uint32_t value = 0;
    for (int i = count - 1; i >= 0; i--) value = value << 8 | byte[i];
    return value;
}

static Sound read_wav(const char *path) {
    Sound sound = {0, 0, NULL};
    unsigned char head[12], chunk[8], format[16];
    FILE *file = fopen(path, "rb");
    if (!file || fread(head, 1, 12, file) != 12 || memcmp(head, "RIFF", 4)) stop("no WAV file");
    memset(format, 0, sizeof format);
    while (fread(chunk, 1, 8, file) == 8) {
        uint32_t size = small_end(chunk + 4, 4);
        if (!memcmp(chunk, "fmt ", 4) && size >= 16) {
            if (fread(format, 1, 16, file) != 16) stop("the WAV file ends in its head");
            fseek(file, (long)size - 16 + (size & 1), SEEK_CUR);
        } else if (!memcmp(chunk, "data", 4)) {
            if (small_end(format + 2, 2) != 1 || small_end(format + 14, 2) != 24)
                stop("the programme is not of one channel of 24 bits");
            unsigned char *byte = malloc(size);
            if (!byte || fread(byte, 1, size, file) != size) stop("the WAV file is cut short");
            sound.rate_hz = (int)small_end(format + 4, 4);
            sound.count = size / 3;
            sound.sample = malloc(sizeof(double) * (size_t)(sound.count + 1));
            for (long i = 0; i < sound.count; i++) {
                int32_t whole = (int32_t)(small_end(byte + 3 * i, 3) << 8);
                sound.sample[i] = whole / 2147483648.0;
            }
            free(byte);
            break;
        } else fseek(file, (long)size + (size & 1), SEEK_CUR);
    }
    fclose(file);
    if (!sound.sample) stop("the WAV file holds no sound");
    return sound;
}

static void put(FILE *file, uint32_t value, int count) {
    for (int i = 0; i < count; i++) fputc((int)(value >> 8 * i & 255), file);
}

/* Sections b0 b1 b2 a1 a2 one after the other, transposed form. */
static void pass(const List *list, double *sample, long count) {
    for (int s = 0; s + 4 < list->count; s += 5) {
        const double *c = list->value + s;
        double first = 0, second = 0;
        for (long i = 0; i < count; i++) {
            double x = sample[i], y = c[0] * x + first;
            first = c[1] * x - c[3] * y + second;
            second = c[2] * x - c[4] * y;
            sample[i] = y;
        }
    }
}

/* x plus the polynomial's terms from the square on, by Horner's rule. */
static void bend(const List *list, double *sample, long count) {
    for (long i = 0; i < count; i++) {
        double x = sample[i], sum = 0;
        for (int k = list->count - 1; k >= 0; k--) sum = (sum + list->value[k]) * x;
        sample[i] = x + sum * x;
    }
}

static double bessel(double x) {
    double term = 1, sum = 1;
    for (int k = 1; k < 60; k++) {
        term *= x / (2 * k) * (x / (2 * k));
        sum += term;
    }
    return sum;
}

static double tap(double distance) {
    double share = distance / HALF_TAPS;
    double inside = 1 - share * share;
    double window = inside > 0 ? bessel(BETA * sqrt(inside)) / bessel(BETA) : 0;
    return distance == 0 ? 1 : sin(PI * distance) / (PI * distance) * window;
}

/* What a recorder hears whose clock is off: sinc under a Kaiser window, by table. */
static Sound resample(const Plan *plan, Sound in) {
    static double table[PHASES + 1][2 * HALF_TAPS];
    double fast = 1 + plan->drift_ppm * 1e-6;
    Sound out = {in.rate_hz, 0, NULL};
    for (int p = 0; p <= PHASES; p++)
        for (int t = 0; t < 2 * HALF_TAPS; t++)
            table[p][t] = tap((double)p / PHASES - (t - HALF_TAPS + 1));
    out.count = (long)floor((in.count + (plan->latency_s + plan->tail_s) * in.rate_hz) * fast);
    out.sample = calloc((size_t)out.count, sizeof(double));
    for (long n = 0; n < out.count; n++) {
        double place = n / fast - plan->latency_s * in.rate_hz, whole = floor(place);
        double phase = (place - whole) * PHASES, lower = floor(phase), share = phase - lower;
        const double *near = table[(int)lower], *next = table[lower < PHASES ? (int)lower + 1 : 0];
        double low = 0, high = 0;
        for (int t = 0; t < 2 * HALF_TAPS; t++) {
            long at = (long)whole + t - HALF_TAPS + 1;
            if (at < 0 || at >= in.count) continue;
            low += near[t] * in.sample[at];
            high += next[t] * in.sample[at];
        }
        out.sample[n] = plan->gain * (low + share * (high - low));
    }
    return out;
}

static double draw_even(uint64_t *state) {
    *state ^= *state >> 12;
    *state ^= *state << 25;
    *state ^= *state >> 27;
    return ((double)((*state * 2685821657736338717ULL) >> 11) + 0.5) / 9007199254740992.0;
}

static double draw_normal(uint64_t *state) {
    double size = sqrt(-2 * log(draw_even(state)));
    return size * cos(2 * PI * draw_even(state));
}

enum { NO_FAULT, DROPOUT, BURST, LOST, CLIPPED };

static void disturb(const Plan *plan, Sound *sound) {
    uint64_t state = plan->seed;
    long first = (long)floor(plan->fault_at_s * sound->rate_hz);
    long after = first + (long)floor(plan->fault_length_s * sound->rate_hz);
    double *noise = malloc(sizeof(double) * (size_t)(sound->count + 1));
    if (after > sound->count) after = sound->count;
    if (plan->fault == DROPOUT)
        for (long n = first; n < after; n++) sound->sample[n] = 0;
    for (long n = 0; n < sound->count; n++) noise[n] = plan->noise_rms * draw_normal(&state);
    pass(&plan->noise, noise, sound->count);
    for (long n = 0; n < sound->count; n++) sound->sample[n] += noise[n];
    for (int k = 0; k + 2 < plan->hum.count; k += 3) {
        const double *line = plan->hum.value + k;
        for (long n = 0; n < sound->count; n++)
            sound->sample[n] += line[1] * sin(2 * PI * line[0] / sound->rate_hz * n + line[2]);
    }
    if (plan->fault == BURST)
        for (long n = first; n < after; n++)
            sound->sample[n] += plan->fault_size * draw_normal(&state);
    if (plan->fault == LOST && after > first) {
        memmove(sound->sample + first, sound->sample + after,
                sizeof(double) * (size_t)(sound->count - after));
        sound->count -= after - first;
    }
    if (plan->fault == CLIPPED)
        for (long n = 0; n < sound->count; n++)
            sound->sample[n] = fmax(-plan->fault_size, fmin(plan->fault_size, sound->sample[n]));
    free(noise);
}

/* Rounded with a dither of two even draws, so that the rounding is noise of known size. */
static double write_wav(const Plan *plan, Sound sound, const char *path) {
    uint64_t state = plan->seed ^ 0x9E3779B97F4A7C15ULL;
    int bytes = plan->bits / 8;
    double whole = ldexp(1, plan->bits - 1), largest = 0;
    uint32_t size = (uint32_t)(sound.count * bytes);
    FILE *file = fopen(path, "wb");
    if (!file) stop("the recording cannot be written");
    fputs("RIFF", file); put(file, 36 + size + (size & 1), 4); fputs("WAVEfmt ", file);
    put(file, 16, 4); put(file, 1, 2); put(file, 1, 2); put(file, (uint32_t)sound.rate_hz, 4);
    put(file, (uint32_t)(sound.rate_hz * bytes), 4);
    put(file, (uint32_t)bytes, 2); put(file, (uint32_t)plan->bits, 2);
    fputs("data", file); put(file, size, 4);
    for (long n = 0; n < sound.count; n++) {
        double dither = draw_even(&state);
        dither -= draw_even(&state);
        double value = floor(sound.sample[n] * whole + dither + 0.5);
        if (fabs(sound.sample[n]) > largest) largest = fabs(sound.sample[n]);
        value = fmax(-whole, fmin(whole - 1, value));
        put(file, (uint32_t)(int32_t)value, bytes);
    }
    if (size & 1) fputc(0, file);
    if (fclose(file)) stop("the recording could not be written to its end");
    return largest;
}

int main(int count, char **word) {
    if (count != 4) stop("plant PLAN IN.wav OUT.wav");
    Plan plan = read_plan(word[1]);
    Sound sound = read_wav(word[2]);
    pass(&plan.before, sound.sample, sound.count);
    bend(&plan.polynomial, sound.sample, sound.count);
    pass(&plan.after, sound.sample, sound.count);
    Sound heard = resample(&plan, sound);
    disturb(&plan, &heard);
    printf("%.9f\n", write_wav(&plan, heard, word[3]));
    free(sound.sample);
    free(heard.sample);
    return 0;
}
