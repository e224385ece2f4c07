package pipeline

import (
	"context"
	"errors"
	"fmt"
	"os"
	"syscall"

	"cagebook/pipeline/video"
	"cagebook/report"
)

// class says what the batch does about an error. This is the only place that decides it.
type class string

const (
	classInput       class = "input"       // the file's fault: an outcome, next clip
	classTransient   class = "transient"   // may pass: again after a pause
	classFatal       class = "fatal"       // every clip would fail: stop the batch
	classBug         class = "bug"         // ours: once more in a fresh process, then an outcome
	classInterrupted class = "interrupted" // somebody stopped us: not an attempt
)

// errChanged marks a clip that was written to while it was read.
var errChanged = errors.New("the file changed while it was read")

// clipError is an error that a worker process has classified already, as it crosses the border as text.
type clipError struct {
	Class   class   `json:"class"`
	Message string  `json:"message"`
	Outcome Outcome `json:"outcome"`
	Detail  string  `json:"detail,omitempty"` // a stack, for failure.log

	Errno  syscall.Errno `json:"errno,omitempty"`  // the system's own number, where the cause is one
	Output bool          `json:"output,omitempty"` // is an ErrOutput
}

func (e *clipError) Error() string { return e.Message }

// Is keeps what stops the batch recognisable on this side of the border.
func (e *clipError) Is(target error) bool {
	return target == ErrFatal && e.Class == classFatal || target == ErrOutput && e.Output || e.Errno != 0 && target == e.Errno
}

// asClipError classifies any error on the side where its type is still known.
func asClipError(err error) *clipError {
	var ce *clipError
	if errors.As(err, &ce) {
		return ce
	}
	ce = &clipError{Class: classify(err), Message: err.Error(), Outcome: outcomeOf(err), Output: errors.Is(err, ErrOutput)}
	var pe *panicError
	if errors.As(err, &pe) {
		ce.Detail = pe.stack
	}
	_ = errors.As(err, &ce.Errno) // stays 0 where there is none
	return ce
}

// panicError is a panic of the analysis, recovered.
type panicError struct {
	value any
	stack string
}

func (e *panicError) Error() string { return fmt.Sprintf("panic: %v", e.value) }

// ErrFatal marks errors that stop the batch: a model is missing, a tool is not installed.
var ErrFatal = errors.New("cannot go on")

// ErrOutput says that results cannot be written or removed: no clip is at fault.
var ErrOutput = errors.New("the output folder cannot be written")

// ErrAway says that the folder of clips, or its disk, was taken away.
var ErrAway = errors.New("the folder of clips is away")

// errDied marks the death of a worker process.
var errDied = errors.New("the analysis program broke off")

// errGaveUp marks a clip that ran into its deadline or the memory limit: again would end alike.
var errGaveUp = errors.New("given up")

func classify(err error) class {
	var ce *clipError
	switch {
	case errors.As(err, &ce):
		return ce.Class
	case errors.Is(err, context.Canceled):
		return classInterrupted
	case unnameable(err):
		return classInput
	case errors.Is(err, ErrOutput) && !mayPass(err):
		return classFatal
	case errors.Is(err, ErrFatal), errors.Is(err, ErrAway), errors.Is(err, video.ErrTool),
		errors.Is(err, syscall.ENOSPC), errors.Is(err, syscall.EDQUOT), errors.Is(err, syscall.EROFS):
		return classFatal
	case errors.Is(err, video.ErrNotVideo), errors.Is(err, video.ErrDamaged), errors.Is(err, video.ErrTooLarge),
		errors.Is(err, errChanged), errors.Is(err, errGaveUp),
		errors.Is(err, errClipFile) && (errors.Is(err, os.ErrPermission) || errors.Is(err, os.ErrNotExist)):
		return classInput
	case mayPass(err):
		return classTransient
	}
	return classBug
}

// unnameable says whether the output folder cannot hold results under the clip's
// name. That is no fault of the disk: clips with other names fare better.
func unnameable(err error) bool {
	return errors.Is(err, ErrOutput) && (errors.Is(err, syscall.ENAMETOOLONG) || errors.Is(err, syscall.EILSEQ))
}

// mayPass says whether the system's own number stands for something that comes and goes.
func mayPass(err error) bool {
	var n syscall.Errno
	if !errors.As(err, &n) {
		return false
	}
	switch n {
	case syscall.EIO, syscall.ESTALE, syscall.ETIMEDOUT, syscall.EHOSTDOWN, syscall.EHOSTUNREACH, syscall.ENETUNREACH,
		syscall.EAGAIN, syscall.ENOMEM, syscall.EMFILE:
		return true
	}
	return false
}

// outcomeOf turns the error that ended a clip into words for its report.
func outcomeOf(err error) Outcome {
	var ce *clipError
	if errors.As(err, &ce) {
		return ce.Outcome
	}
	var ve *video.Error
	if errors.As(err, &ve) {
		reason := sentence(ve.Msg)
		if ve.Hint != "" {
			reason += " " + sentence(ve.Hint)
		}
		switch {
		case errors.Is(err, video.ErrDamaged):
			return Outcome{State: report.Damaged, Reason: reason}
		case errors.Is(err, video.ErrTooLarge):
			return Outcome{State: report.Failed, Reason: reason}
		case errors.Is(err, video.ErrNotVideo):
			return Outcome{State: report.NotVideo, Reason: reason}
		case mayPass(err):
			return Outcome{State: report.Failed, Reason: "Tried three times: " + reason}
		}
	}
	failed := func(format string, args ...any) Outcome {
		return Outcome{State: report.Failed, Reason: fmt.Sprintf(format, args...)}
	}
	switch {
	case unnameable(err):
		return failed("The output folder cannot hold results under this name (%v), so there are none: give the clip and the folders above it shorter, plainer names and run again.", cause(err))
	case errors.Is(err, errClipFile) && errors.Is(err, os.ErrPermission):
		return failed("The file may not be read: give yourself the right to read it and run again.")
	case errors.Is(err, errClipFile) && errors.Is(err, os.ErrNotExist):
		return failed("The file went away during the run: put it back and run again.")
	case errors.Is(err, errChanged):
		return failed("The file changed while it was read: wait until it is copied completely and run again.")
	case classify(err) == classTransient:
		return failed("The file could not be read in three tries (%v): check the disk or the network folder and run again.", cause(err))
	case errors.Is(err, errGaveUp):
		return failed("%s", sentence(err.Error()))
	case errors.Is(err, errDied):
		return failed("The analysis broke off twice at this clip (%v); the other clips are not touched by that. What the program said is in failure.log beside this report.", cause(err))
	}
	return failed("The analysis went wrong twice at this clip: %v. Details are in failure.log beside this report.", err)
}

// cause is the innermost error, which names no path a second time.
func cause(err error) error {
	for {
		next := errors.Unwrap(err)
		if next == nil {
			return err
		}
		err = next
	}
}

// sentence gives text a capital and a full stop.
func sentence(s string) string {
	if s == "" {
		return s
	}
	r := []rune(s)
	if r[0] >= 'a' && r[0] <= 'z' {
		r[0] += 'A' - 'a'
	}
	if last := r[len(r)-1]; last != '.' && last != '!' && last != '?' {
		r = append(r, '.')
	}
	return string(r)
}
