//go:build cgo

package opencv

/*
#cgo LDFLAGS: -ldl
#define _GNU_SOURCE
#include <dlfcn.h>
#include <stdarg.h>

// FFmpeg's libraries come with OpenCV; their headers may be absent. The
// function and the level are part of libavutil's public interface (log.h).
enum { AV_LOG_ERROR = 16 };
static int decode_errors;

static void count_errors(void *ctx, int level, const char *format, va_list args) {
	if (level <= AV_LOG_ERROR)
		__atomic_add_fetch(&decode_errors, 1, __ATOMIC_RELAXED);
}

static void watch_decoder(void) {
	void (*set)(void (*)(void *, int, const char *, va_list));
	*(void **)&set = dlsym(RTLD_DEFAULT, "av_log_set_callback");
	if (set)
		set(count_errors);
}

static int errors_so_far(void) { return __atomic_load_n(&decode_errors, __ATOMIC_RELAXED); }
*/
import "C"

// OpenCV hands out pictures that FFmpeg had to make up as if they were whole.
// FFmpeg says so only in its messages, so these are counted (and not printed).
// The count is of the process: an error of another clip that is open at the
// same time costs a needless clean copy, never a wrong frame.

// watchDecoder starts the counting; it is called after a clip was opened,
// because opening may set FFmpeg's own printing.
func watchDecoder() { C.watch_decoder() }

// decodeErrors returns the number of errors so far.
func decodeErrors() int { return int(C.errors_so_far()) }
