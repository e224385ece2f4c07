package pipeline

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"image"
	"math"
	"slices"
	"sync"

	"cagebook/pipeline/video"
	"cagebook/pose"
	"cagebook/report/still"
)

// DenseOptions steer the dense pass.
type DenseOptions struct {
	SketchS     float64 // > 0: only frames at least so far apart are read, s, and no pictures are kept
	JPEGQuality int     // of the spooled frames; default 90
	TempDir     string  // for the spool; "" = the system's own

	Several []float64 // when more than one person was seen, s, ascending
}

// DenseWindow is one hitter's track over one window at full frame rate. The
// spool is shared by all windows of a clip; whoever called dense closes it.
type DenseWindow struct {
	Hitter  int // pose.Hitter.ID
	Window  pose.Window
	Track   pose.Track
	Spool   *Spool
	Mended  int // frames in which a wrist was put back onto the handle
	Doubted int // frames for which a second region was tried

	sound     *video.Audio // of the clip, if it is of use; nil = none
	distanceM float64      // of the camera, as stated; 0 = not

	flights  []keptFlight // of the ball, one a swing
	followed bool         // bat and ball were looked for already

	small *smallPictures // in which bat and ball are looked for; nil = none
	bats  *sync.Mutex    // one swing's pictures are in memory at a time; nil = nothing else is in work
}

const (
	jpegQuality = 90
	inFlight    = 3       // frames waiting per landmark network
	inFlightMax = 4 << 20 // bytes of a frame's part: of larger ones only one waits: in 4K each is some 20 MB
)

// job is one frame of one window on its way through a landmark network.
type job struct {
	window int
	pos    int // among the window's frames
	timeS  float64
	im     pose.Image // the part of the frame that the regions need; of no width where nothing looks at it
	x0, y0 int        // where that part lies in the frame
	main   pose.Region
	calm   bool // not looked at: the smoother bridges it
}

// windowWork is what is gathered for one window.
type windowWork struct {
	hitter   *pose.Hitter
	window   pose.Window
	path     *pose.RegionPath
	bodyPx   float64
	part     pose.Box        // of the frame, that the regions need
	shown    image.Rectangle // part of the frame that is spooled for stills and films; empty = all
	frames   []int
	times    []float64
	repeat   []bool
	sketchS  float64 // DenseOptions.SketchS
	takenS   float64 // time of the last frame that was taken into the window
	lookedS  float64 // time of the last frame that was handed to the model
	looked   []int   // positions of the frames that were
	readings [][]pose.Reading
	doubted  int
	small    *smallPictures
}

// dense reads the clip once more and looks at every frame of the hitters'
// windows with the landmark model. Decoding, JPEG coding and inference overlap,
// one goroutine a network; the result does not depend on their pace. src stands
// at its first frame and is not closed. progress is told of frames looked at.
func dense(ctx context.Context, src video.Source, hitters []pose.Hitter, nets Nets, o DenseOptions, progress func(done, total int)) (_ []DenseWindow, err error) {
	if o.JPEGQuality == 0 {
		o.JPEGQuality = jpegQuality
	}
	if len(nets.Landmarks) == 0 {
		return nil, errors.New("dense pass: no landmark model")
	}
	info := src.Info()
	work := planWindows(hitters, info)
	if len(work) == 0 {
		return nil, nil
	}
	var spool *Spool
	if o.SketchS == 0 {
		if spool, err = NewSpool(o.TempDir); err != nil {
			return nil, err
		}
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, spool.Close())
			for _, w := range work {
				err = errors.Join(err, w.small.Close())
			}
		}
	}()
	for _, w := range work {
		w.sketchS, w.takenS = o.SketchS, math.Inf(-1)
		if o.SketchS > 0 {
			continue
		}
		if w.small, err = newSmallPictures(w.part, w.bodyPx, o.TempDir); err != nil {
			return nil, err
		}
	}
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	waiting := inFlight * len(nets.Landmarks)
	if slices.ContainsFunc(work, func(w *windowWork) bool { return 3*(w.part.X1-w.part.X0)*(w.part.Y1-w.part.Y0) > inFlightMax }) {
		waiting = 1
	}
	jobs := make(chan job, waiting)
	results := make(chan landmarked, waiting)
	buffers := make(chan []byte, cap(jobs)+len(nets.Landmarks)+1)
	for range cap(buffers) {
		buffers <- nil
	}
	var workers sync.WaitGroup
	for _, net := range nets.Landmarks {
		workers.Go(func() {
			if err := runLandmarks(ctx, net, work, jobs, results, buffers); err != nil {
				cancel(err)
			}
		})
	}
	var gather sync.WaitGroup
	gather.Go(func() {
		total := countFrames(work, info)
		done := 0
		for r := range results {
			w := work[r.window]
			for len(w.readings) <= r.pos {
				w.readings = append(w.readings, nil)
			}
			w.readings[r.pos] = r.readings
			if len(r.readings) > 1 {
				w.doubted++
			}
			if done++; progress != nil {
				progress(done, max(total, done))
			}
		}
	})
	err = feedWindows(ctx, src, work, spool, o, buffers, jobs)
	close(jobs)
	workers.Wait()
	close(results)
	gather.Wait()
	if err == nil {
		err = context.Cause(ctx)
	}
	if err != nil {
		return nil, fmt.Errorf("dense pass: %w", err)
	}
	var out []DenseWindow
	for _, w := range work {
		if len(w.times) == 0 {
			if err := w.small.Close(); err != nil {
				return nil, err
			}
			continue
		}
		d := w.finish(info)
		if d.Spool, d.small = spool, w.small; d.small != nil {
			d.small.spool, d.small.frames = spool, w.frames
		}
		out = append(out, d)
	}
	if len(out) == 0 {
		return nil, spool.Close()
	}
	return out, nil
}

// planWindows makes the work list, in the order of time.
func planWindows(hitters []pose.Hitter, info video.Info) []*windowWork {
	var work []*windowWork
	for i := range hitters {
		h := &hitters[i]
		for _, win := range h.Windows {
			path, ok := pose.NewRegionPath(&h.Coarse, win.FromS, win.ToS)
			if !ok {
				continue
			}
			w := &windowWork{hitter: h, window: win, path: path, bodyPx: h.Coarse.BodyPx(win.FromS, win.ToS), part: path.Bounds()}
			if math.IsNaN(w.bodyPx) {
				w.bodyPx = h.Evidence.BodyPx
			}
			// The second region is about one instant's pose: its box may reach out of the path's.
			for k, t := range h.Coarse.Times {
				if t < win.FromS-0.3 || t > win.ToS+0.3 {
					continue
				}
				if r, ok := pose.CoarseRegion(&h.Coarse, h.Coarse.Times[k]); ok {
					b := r.Bounds()
					w.part = pose.Box{X0: math.Min(w.part.X0, b.X0), Y0: math.Min(w.part.Y0, b.Y0), X1: math.Max(w.part.X1, b.X1), Y1: math.Max(w.part.Y1, b.Y1)}
				}
			}
			w.part = pose.Box{X0: math.Max(0, math.Floor(w.part.X0)), Y0: math.Max(0, math.Floor(w.part.Y0)), X1: math.Min(float64(info.Width), math.Ceil(w.part.X1)), Y1: math.Min(float64(info.Height), math.Ceil(w.part.Y1))}
			w.part = widened(w.part, w.bodyPx, info.Width, info.Height)
			if w.part.X1-w.part.X0 < 8 || w.part.Y1-w.part.Y0 < 8 {
				continue
			}
			work = append(work, w)
		}
	}
	slices.SortStableFunc(work, func(a, b *windowWork) int { return cmp.Compare(a.window.FromS, b.window.FromS) })
	for i := 0; i < len(work); {
		n, toS := i+1, work[i].window.ToS
		for ; n < len(work) && work[n].window.FromS <= toS+1e-6; n++ {
			toS = math.Max(toS, work[n].window.ToS)
		}
		shareShown(work[i:n], info)
		i = n
	}
	return work
}

// Reach of what stills and films show beyond the points that the people model sees, in lengths of their hull: the bat at
// its farthest, and what still.Crops leaves about joints. All of 199 films of rendered swings lie within.
const (
	shownSide, shownTop, shownFoot = 0.8, 0.6, 0.4
	shownMost                      = 0.8 // of the frame; of more all is spooled
	jpegBlock                      = 16  // px: so the blocks of the part are those of the frame, and so are its pictures
)

// shownPart is the part of the frame that the stills and films of a window's swings will hardly leave; empty = all.
// What they show beyond it is read again.
func shownPart(coarse *pose.Track, win pose.Window, w, h int) image.Rectangle {
	var out image.Rectangle
	for k, t := range coarse.Times {
		if t < win.FromS-0.3 || t > win.ToS+0.3 {
			continue
		}
		b, n := coarse.Raw[k].Bounds(0.2)
		e := math.Max(b.X1-b.X0, b.Y1-b.Y0)
		if n < 4 || !(e > 0) {
			continue
		}
		foot := shownFoot*e + math.Max(0, still.MarginTop*e-b.Y0) // a head at the picture's edge shifts the part down
		out = out.Union(image.Rect(int(b.X0-shownSide*e), int(b.Y0-shownTop*e), int(b.X1+shownSide*e), int(b.Y1+foot)))
	}
	out = out.Intersect(image.Rect(0, 0, w, h))
	up := func(v, most int) int { return min((v+jpegBlock-1)/jpegBlock*jpegBlock, most) }
	out = image.Rect(out.Min.X/jpegBlock*jpegBlock, out.Min.Y/jpegBlock*jpegBlock, up(out.Max.X, w), up(out.Max.Y, h))
	if float64(out.Dx()*out.Dy()) > shownMost*float64(w*h) {
		return image.Rectangle{}
	}
	return out
}

// shareShown chooses the part of the frame for windows that overlap: a frame is spooled once.
func shareShown(work []*windowWork, info video.Info) {
	shown := image.Rectangle{}
	for i, w := range work {
		p := shownPart(&w.hitter.Coarse, w.window, info.Width, info.Height)
		if i > 0 && (p.Empty() || shown.Empty()) {
			p = image.Rectangle{}
		} else {
			p = p.Union(shown)
		}
		shown = p
	}
	for _, w := range work {
		w.shown = shown
	}
}

// Near a burst, which lies near contact, all of the frame is spooled, too, where somebody else was seen: people.jpg shows all.
const wholeNearS = 0.2

// spoolFrame puts what will be shown of the frame that the source delivered last.
func (w *windowWork) spoolFrame(src video.Source, f *video.Frame, spool *Spool, o DenseOptions) error {
	jpg, err := src.JPEG(o.JPEGQuality, w.shown)
	if err == nil {
		err = spool.Put(f.Index, jpg, w.shown)
	}
	if err != nil || w.shown.Empty() {
		return err
	}
	near := func(times []float64, s float64) bool {
		return slices.ContainsFunc(times, func(t float64) bool { return math.Abs(t-f.TimeS) <= s })
	}
	if near(w.window.Peaks, wholeNearS) && near(o.Several, peopleNearS) {
		if jpg, err = src.JPEG(o.JPEGQuality, image.Rectangle{}); err == nil {
			err = spool.PutWhole(f.Index, jpg)
		}
	}
	return err
}

func countFrames(work []*windowWork, info video.Info) int {
	n := 0
	for _, t := range frameTimes(info) {
		for _, w := range work {
			if w.holds(t) {
				n++
			}
		}
	}
	return n
}

func (w *windowWork) holds(t float64) bool {
	return t >= w.window.FromS-1e-6 && t <= w.window.ToS+1e-6
}

// takes says whether the frame at t belongs into the window: every frame, or one in a while for a sketch.
func (w *windowWork) takes(t float64) bool {
	return w.holds(t) && t-w.takenS >= w.sketchS-1e-6
}

// feedWindows decodes the windows' frames, spools their pictures and hands out jobs.
func feedWindows(ctx context.Context, src video.Source, work []*windowWork, spool *Spool, o DenseOptions, buffers chan []byte, jobs chan<- job) error {
	times := frameTimes(src.Info())
	lastS := 0.0
	for _, w := range work {
		lastS = math.Max(lastS, w.window.ToS)
	}
	wanted := func(t float64) bool {
		return slices.ContainsFunc(work, func(w *windowWork) bool { return w.takes(t) })
	}
	first := func(t float64) *windowWork { // all that hold the frame spool the same part of it
		return work[slices.IndexFunc(work, func(w *windowWork) bool { return w.takes(t) })]
	}
	var f video.Frame
	next := 0
	for {
		if ctx.Err() != nil {
			return context.Cause(ctx)
		}
		skip := 0
		for next+skip < len(times)-1 && !wanted(times[next+skip]) {
			skip++
		}
		if skip > 0 {
			if err := src.Skip(ctx, skip); err != nil {
				return endOf(err)
			}
		}
		if err := src.Next(ctx, &f); err != nil {
			return endOf(err)
		}
		next = f.Index + 1
		if f.TimeS > lastS+1e-6 {
			return nil
		}
		if !wanted(f.TimeS) {
			continue
		}
		if spool != nil {
			if err := first(f.TimeS).spoolFrame(src, &f, spool, o); err != nil {
				return fmt.Errorf("frame %d (%.3f s): %w", f.Index, f.TimeS, err)
			}
		}
		for i, w := range work {
			if !w.takes(f.TimeS) {
				continue
			}
			w.takenS = f.TimeS
			j := job{window: i, pos: len(w.times), timeS: f.TimeS, main: w.path.At(f.TimeS)}
			if j.calm = w.calm(f.TimeS); f.Repeat && len(w.times) > 0 {
				j.calm = true // the same picture again
			}
			if !j.calm {
				w.looked, w.lookedS = append(w.looked, j.pos), f.TimeS
			}
			w.frames = append(w.frames, f.Index)
			w.times = append(w.times, f.TimeS)
			w.repeat = append(w.repeat, f.Repeat)
			var buf []byte
			select {
			case buf = <-buffers:
			case <-ctx.Done():
				return context.Cause(ctx)
			}
			if j.im.Pix = buf[:0]; !j.calm || w.nearSwing(f.TimeS) {
				j.im, j.x0, j.y0 = cut(pose.ImageOf(&f), w.part, buf)
			}
			select {
			case jobs <- j:
			case <-ctx.Done():
				return context.Cause(ctx)
			}
		}
	}
}

const (
	// Around a burst every frame counts: landing and first move of the hands lie within 0.5 s before contact, the start of
	// the stride within 0.9 s, extension within 0.12 s after it. The coarse pass knows the burst to about 0.1 s.
	burstBeforeS, burstAfterS = 0.9, 0.35
	// Errors of neighbouring frames are alike (over about 60 ms): more than 125 frames a second tell hardly more of joints,
	// 62 suffice before the landing. Bat and ball are looked for in every frame's picture.
	burstStepS, strideStepS = 1.0 / 125, 1.0 / 62
	strideBeforeS           = 0.55
	// Elsewhere a joint moves slowly.
	calmStepS = 1.0 / 31
)

// calm says whether the frame at t may be left to the smoother.
func (w *windowWork) calm(t float64) bool {
	if len(w.times) == 0 || w.sketchS > 0 {
		return false
	}
	step := calmStepS
	for _, p := range w.window.Peaks {
		switch {
		case t < p-burstBeforeS || t > p+burstAfterS:
		case t < p-strideBeforeS:
			step = math.Min(step, strideStepS)
		default:
			step = burstStepS
		}
	}
	return t-w.lookedS < step-1e-6
}

// A swing's contact, which is known later, hardly ever lies farther from a burst that the coarse pass or the sketch knows of;
// where it does, the reduced pictures come from the spool.
const contactOffS = 0.6

// nearSwing says whether bat and ball may be looked for in the frame at t.
func (w *windowWork) nearSwing(t float64) bool {
	return len(w.window.Peaks) == 0 || slices.ContainsFunc(w.window.Peaks, func(p float64) bool {
		return t >= p-batBeforeS-contactOffS && t <= p+batAfterS+contactOffS
	})
}

// cut copies a part of a frame into a buffer.
func cut(im pose.Image, part pose.Box, buf []byte) (pose.Image, int, int) {
	x0, y0 := min(int(part.X0), im.W), min(int(part.Y0), im.H)
	out := pose.Image{W: min(int(part.X1), im.W) - x0, H: min(int(part.Y1), im.H) - y0}
	out.Stride = 3 * out.W
	if need := out.Stride * out.H; cap(buf) < need {
		buf = make([]byte, need)
	} else {
		buf = buf[:need]
	}
	out.Pix = buf
	for y := range out.H {
		copy(out.Pix[y*out.Stride:(y+1)*out.Stride], im.Pix[(y0+y)*im.Stride+x0*3:])
	}
	return out, x0, y0
}

// landmarked is what the landmark model gave for one job.
type landmarked struct {
	window, pos int
	readings    []pose.Reading
}

// runLandmarks is the life of one landmark network's goroutine.
func runLandmarks(ctx context.Context, net pose.Net, work []*windowWork, jobs <-chan job, results chan<- landmarked, buffers chan<- []byte) error {
	crop := make([]float32, pose.LandmarkPx*pose.LandmarkPx*3)
	var scratch []byte
	read := func(j job, r pose.Region) (pose.Reading, error) {
		local := r
		local.CX -= float64(j.x0)
		local.CY -= float64(j.y0)
		out, err := net.Run(pose.LandmarkInput(j.im, local, crop))
		if err != nil {
			return pose.Reading{}, fmt.Errorf("landmark model at %.3f s: %w", j.timeS, err)
		}
		p, world, _, err := pose.Landmarks(out, r)
		return pose.Reading{Pose: p, World: world}, err
	}
	for j := range jobs {
		if ctx.Err() != nil {
			continue // drain
		}
		w := work[j.window]
		res := landmarked{window: j.window, pos: j.pos}
		if !j.calm {
			first, err := read(j, j.main)
			if err != nil {
				return err
			}
			res.readings = []pose.Reading{first}
		}
		if !j.calm && pose.Doubt(&res.readings[0].Pose, &w.hitter.Coarse, j.timeS, w.bodyPx) {
			if r, ok := pose.CoarseRegion(&w.hitter.Coarse, j.timeS); ok {
				second, err := read(j, r)
				if err != nil {
					return err
				}
				res.readings = append(res.readings, second)
			}
		}
		if w.small != nil && w.nearSwing(j.timeS) {
			if err := w.small.put(j.pos, j.im, &scratch); err != nil {
				return err
			}
		}
		buffers <- j.im.Pix // never blocks: there is room for every buffer
		select {
		case results <- res:
		case <-ctx.Done():
		}
	}
	return nil
}

// finish settles sides, regions and hands, and makes the track. Frames that
// were not looked at have no raw points; their world points lie between their neighbours'.
func (w *windowWork) finish(info video.Info) DenseWindow {
	times, readings := make([]float64, len(w.looked)), make([][]pose.Reading, len(w.looked))
	for i, pos := range w.looked {
		times[i], readings[i] = w.times[pos], w.readings[pos]
	}
	rs := pose.Settle(times, readings, &w.hitter.Coarse, w.bodyPx)
	d := DenseWindow{Hitter: w.hitter.ID, Window: w.window, Doubted: w.doubted, Mended: pose.MendHands(times, rs, w.bodyPx)}
	t := pose.Track{
		Width: info.Width, Height: info.Height, FocalPx: info.FocalPx(), Frames: w.frames, Times: w.times, Repeat: w.repeat,
		Raw: make([]pose.Pose, len(w.times)), World: make([][pose.NumJoints]pose.Point3, len(w.times)),
	}
	k := 0 // the last looked-at frame at or before i
	for i, at := range w.times {
		for k+1 < len(rs) && w.looked[k+1] <= i {
			k++
		}
		next := min(k+1, len(rs)-1)
		share := 0.0
		if times[next] > times[k] {
			share = min(max((at-times[k])/(times[next]-times[k]), 0), 1)
		}
		for j := range t.World[i] {
			a, b := rs[k].World[j], rs[next].World[j]
			t.World[i][j] = pose.Point3{X: a.X + (b.X-a.X)*share, Y: a.Y + (b.Y-a.Y)*share, Z: a.Z + (b.Z-a.Z)*share}
		}
		if w.looked[k] == i {
			t.Raw[i] = rs[k].Pose
		}
	}
	for j := range t.Has {
		t.Has[j] = true
	}
	d.Track = t
	return d
}
