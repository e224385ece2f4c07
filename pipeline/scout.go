package pipeline

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"slices"
	"sync"
	"sync/atomic"

	"cagebook/configs"
	"cagebook/pipeline/video"
	"cagebook/pose"
)

// Nets are the networks of one worker. Each instance is used by one goroutine at a time.
type Nets struct {
	People    []pose.Net // instances of one network, one goroutine each; one thread each is fastest
	Objects   []pose.Net // the same
	Landmarks []pose.Net // the same
	Sketch    []pose.Net // the same, a quick landmark network that tells whether there is a swing at all
}

// OpenSource opens the clip at its first frame.
type OpenSource func() (video.Source, error)

// ScoutOptions steer the coarse pass. Zero values mean the defaults.
type ScoutOptions struct {
	SamplesPerS float64        // people are looked for this often, per second of real motion; default 14
	TempDir     string         // for pictures that wait for the object detector; "" = the system's own
	HitterAt    *configs.Place // who the hitter is, as a person said; nil = nobody did
}

// Scouted is what the coarse pass found, and how much it had to look at.
type Scouted struct {
	pose.Scouted
	Frames     int // frames of the clip that were passed
	Samples    int // instants at which people were looked for
	ObjectRuns int
	All        []pose.Sample // everybody who was seen
}

const (
	samplesPerS = 14  // a swing's burst lasts about 0.2 s: three samples
	objectsPerS = 2.0 // a hitter holds the bat in view for a second and more before a swing
	// A picture's noise moves a thumbnail's cell (the mean of 16 pixels) by about
	// 2 grey levels; a moving hand changes several cells by 10 and more.
	movedLevels = 6.0
	movedCells  = 2
	scoutLongPx = 1280 // pictures are reduced to this before they wait for a model
	objectMin   = 0.3  // false bats start near this score
	personMin   = 0.15
)

// glance is one sampled frame on its way through the coarse pass.
type glance struct {
	frame int
	timeS float64
	thumb pose.Thumb
	small pose.Image // the picture, reduced; empty if nothing moved
	zoom  float64    // px of the picture ÷ px of small

	changes           pose.Changes // since the glance before
	looked, stirKnown bool         // for the lookout: the model saw it; it was asked whom it stirs about
}

// scout runs the coarse pass: sampled in time, reduced in size, no model where
// nothing moved. Decoding and the two models overlap; the result does not
// depend on their pace. progress is told of frames passed.
func scout(ctx context.Context, open OpenSource, nets Nets, o ScoutOptions, progress func(done, total int)) (_ Scouted, err error) {
	if o.SamplesPerS <= 0 {
		o.SamplesPerS = samplesPerS
	}
	src, err := open()
	if err != nil {
		return Scouted{}, err
	}
	defer func() { err = errors.Join(err, src.Close()) }()
	info := src.Info()

	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	var wg sync.WaitGroup
	people := make(chan glance, 3)
	objects := make(chan glance, 8)
	var samples []pose.Sample // owned by the people goroutine until objects is closed
	var seen []objectsAt      // owned by the objects goroutine until it ends
	var out Scouted
	var said *pose.Place
	if p := o.HitterAt; p != nil {
		said = &pose.Place{TimeS: p.TimeS, X: p.X * float64(info.Width), Y: p.Y * float64(info.Height)}
	}
	wg.Go(func() {
		defer close(objects)
		s, err := watchPeople(ctx, nets.People, people, info, func(g glance) error {
			select {
			case objects <- g:
				return nil
			case <-ctx.Done():
				return context.Cause(ctx)
			}
		})
		if err != nil {
			cancel(err)
			for range people { // drain
			}
		}
		samples = s
	})
	wg.Go(func() {
		s, err := watchObjects(ctx, nets.Objects, objects, o.TempDir, func() ([]pose.Sample, []bool) {
			return samples, pose.BatWanted(samples, said)
		})
		if err != nil {
			cancel(err)
			for range objects { // drain
			}
		}
		seen = s
	})
	err = sampleFrames(ctx, src, o, func(g glance) error {
		select {
		case people <- g:
			return nil
		case <-ctx.Done():
			return context.Cause(ctx)
		}
	}, func(frames int) {
		out.Frames = frames
		if progress != nil {
			progress(frames, info.Frames)
		}
	})
	close(people)
	wg.Wait()
	if err == nil {
		err = context.Cause(ctx) // a model failed on the last samples
	}
	if err != nil {
		return Scouted{}, fmt.Errorf("coarse pass: %w", err)
	}
	for _, s := range seen {
		samples[s.sample].Objects = s.objects
	}
	out.Samples, out.ObjectRuns = len(samples), len(seen)
	out.Scouted, out.All = pose.Scout(samples, info.Width, info.Height, said), samples
	return out, nil
}

// sampleFrames reads the clip and emits a glance for each sampled instant.
func sampleFrames(ctx context.Context, src video.Source, o ScoutOptions, emit func(glance) error, passed func(frames int)) error {
	times := frameTimes(src.Info())
	var f video.Frame
	var shown pose.Thumb // of the last picture that was handed on
	next := 0.0
	for n := 0; ; n++ {
		if err := ctx.Err(); err != nil {
			return context.Cause(ctx)
		}
		if len(times) > 0 { // skip decoding's costly half for frames between samples
			k := f.Index
			if n > 0 {
				k++
			}
			from := k
			for k < len(times)-1 && times[k] < next-1e-6 {
				k++
			}
			if k > from {
				if err := src.Skip(ctx, k-from); err != nil {
					return endOf(err)
				}
			}
		}
		if err := src.Next(ctx, &f); err != nil {
			return endOf(err)
		}
		passed(f.Index + 1)
		if f.TimeS < next-1e-6 {
			continue
		}
		next = math.Max(next+1/o.SamplesPerS, f.TimeS+0.5/o.SamplesPerS)
		im := pose.ImageOf(&f)
		thumb := pose.NewThumb(im)
		g := glance{frame: f.Index, timeS: f.TimeS, thumb: thumb}
		if !f.Repeat && thumb.Moved(shown, movedLevels, movedCells) {
			shown = thumb
			g.small, g.zoom = reduced(im)
		}
		if err := emit(g); err != nil {
			return err
		}
	}
}

func endOf(err error) error {
	if errors.Is(err, io.EOF) {
		return nil
	}
	return err
}

// frameTimes are the seconds of real motion of all frames; nil if they are not known before reading.
func frameTimes(info video.Info) []float64 {
	scale := info.TimeScale
	if scale <= 0 {
		scale = 1
	}
	t := make([]float64, len(info.PTSS))
	for i, p := range info.PTSS {
		t[i] = p * scale
	}
	return t
}

// reduced copies the picture, at most scoutLongPx long.
func reduced(im pose.Image) (pose.Image, float64) {
	zoom := math.Max(1, float64(max(im.W, im.H))/scoutLongPx)
	s := pose.NewImage(max(1, int(math.Round(float64(im.W)/zoom))), max(1, int(math.Round(float64(im.H)/zoom))))
	if zoom == 1 {
		for y := range s.H {
			copy(s.Pix[y*s.Stride:(y+1)*s.Stride], im.Pix[y*im.Stride:])
		}
	} else {
		pose.Resize(s, im)
	}
	return s, zoom
}

// peopleSize keeps the people model's input at a size in which people have
// the height that the model likes.
type peopleSize struct {
	bodyPx float64 // height of the people, px of the reduced picture; 0 = not known
	empty  int     // samples in a row without anybody
}

const (
	bodyMinPx, bodyMaxPx = 130, 280 // in the input: outside of it the size is chosen anew
	retryEvery           = 4        // samples without anybody between two searches in other sizes
	surePerson           = 0.3
)

// glimpse is what the people model saw in a whole picture, looked at as if people were bodyPx tall.
type glimpse struct {
	bodyPx float64
	fit    pose.Fit
	people []pose.Person
}

func seePeople(net pose.Net, g glance, bodyPx float64) (glimpse, error) {
	s := glimpse{bodyPx: bodyPx, fit: pose.PeopleFit(g.small.W, g.small.H, bodyPx)}
	var err error
	s.people, err = peopleIn(net, g.small, s.fit, g.zoom)
	return s, err
}

// find looks for people in a whole picture. first is a look that was made before all earlier ones were judged; where
// these changed the size, it is made again.
func (p *peopleSize) find(see func(g glance, bodyPx float64) (glimpse, error), g glance, first glimpse) (_ []pose.Person, err error) {
	if first.bodyPx != p.bodyPx {
		if first, err = see(g, p.bodyPx); err != nil {
			return nil, err
		}
	}
	people, fit := first.people, first.fit
	tall := tallest(people, g.zoom)
	if tall == 0 {
		p.empty++
		if p.empty%retryEvery != 1 {
			return people, nil
		}
		// As if people filled the picture, or stood far away.
		for _, body := range [2]float64{0.9 * float64(g.small.H), 0.25 * float64(g.small.H)} {
			again, err := see(g, body)
			if err != nil {
				return nil, err
			}
			if t := tallest(again.people, g.zoom); t > 0 {
				people, tall, p.bodyPx = again.people, t, t
				break
			}
		}
		if tall > 0 {
			p.empty = 0
		}
		return people, nil
	}
	p.empty = 0
	in := tall * fit.Scale
	if p.bodyPx == 0 {
		p.bodyPx = tall
	}
	if in >= bodyMinPx && in <= bodyMaxPx {
		return people, nil
	}
	if want := pose.PeopleFit(g.small.W, g.small.H, tall); want == fit {
		return people, nil // at the limit of what is affordable
	}
	again, err := see(g, tall)
	if err != nil {
		return nil, err
	}
	if t := tallest(again.people, g.zoom); t > 0 {
		p.bodyPx = t
		return again.people, nil
	}
	return people, nil
}

func peopleIn(net pose.Net, im pose.Image, fit pose.Fit, zoom float64) ([]pose.Person, error) {
	out, err := net.Run(pose.PeopleInput(im, fit))
	if err != nil {
		return nil, fmt.Errorf("people model: %w", err)
	}
	if len(out) != 1 {
		return nil, fmt.Errorf("people model: %w: %d outputs", pose.ErrShape, len(out))
	}
	return pose.DecodePeople(out[0], fit, zoom, personMin)
}

// tallest is the height of the tallest person who is surely one, px of the reduced picture; 0 = nobody.
func tallest(people []pose.Person, zoom float64) float64 {
	var t float64
	for i := range people {
		if people[i].Score >= surePerson {
			if b, n := people[i].Points.Bounds(0.2); n >= 6 {
				t = math.Max(t, (b.Y1-b.Y0)/zoom)
			}
		}
	}
	return t
}

// objectsAt is what the detector saw in a sample.
type objectsAt struct {
	sample  int
	objects []pose.Object
}

// watchObjects looks for bats. Of most pictures it turns out that nobody's hands moved fast near them: pictures wait, reduced,
// in a temporary file until all people are known, and then the wanted ones are looked at.
func watchObjects(ctx context.Context, nets []pose.Net, in <-chan glance, tempDir string, known func() ([]pose.Sample, []bool)) (_ []objectsAt, err error) {
	type waiting struct {
		frame   int
		offset  int64
		fit     pose.Fit
		zoom    float64
		picture pose.Image // without its pixels
	}
	file, err := os.CreateTemp(tempDir, "cagebook-objects-*")
	if err != nil {
		return nil, fmt.Errorf("pictures for the object detector: %w", err)
	}
	defer func() { err = errors.Join(err, file.Close(), os.Remove(file.Name())) }()
	var wait []waiting
	var end int64
	for g := range in {
		if ctx.Err() != nil || len(nets) == 0 {
			continue // drain
		}
		w := waiting{frame: g.frame, offset: end, fit: pose.ObjectsFit(g.small.W, g.small.H), zoom: g.zoom}
		w.picture = pose.ObjectsPicture(g.small, w.fit)
		if _, err := file.WriteAt(w.picture.Pix, end); err != nil {
			return nil, fmt.Errorf("pictures for the object detector: %w", err)
		}
		end += int64(len(w.picture.Pix))
		w.picture.Pix = nil
		wait = append(wait, w)
	}
	if ctx.Err() != nil {
		return nil, nil
	}
	samples, wanted := known()
	var out []objectsAt
	var look []waiting // one for each of out
	for _, w := range wait {
		i, ok := slices.BinarySearchFunc(samples, w.frame, func(a pose.Sample, frame int) int { return cmp.Compare(a.Frame, frame) })
		if ok && wanted[i] {
			out, look = append(out, objectsAt{sample: i}), append(look, w)
		}
	}
	return out, shareOut(ctx, len(nets), len(look), func(worker, k int) error {
		w := look[k]
		w.picture.Pix = make([]byte, w.picture.Stride*w.picture.H)
		if _, err := file.ReadAt(w.picture.Pix, w.offset); err != nil {
			return fmt.Errorf("pictures for the object detector: %w", err)
		}
		res, err := nets[worker].Run(pose.ObjectsInput(w.picture, w.fit))
		if err == nil {
			out[k].objects, err = pose.DecodeObjects(res, w.fit, w.zoom, objectMin)
		}
		if err != nil {
			return fmt.Errorf("frame %d (%.3f s): object detector: %w", w.frame, samples[out[k].sample].TimeS, err)
		}
		return nil
	})
}

// shareOut does n things, each by one of so many workers, until one fails, and gives the errors.
func shareOut(ctx context.Context, workers, n int, do func(worker, i int) error) error {
	errs := make([]error, workers)
	var next atomic.Int64
	var wg sync.WaitGroup
	for k := range workers {
		wg.Go(func() {
			for i := int(next.Add(1)) - 1; i < n && errs[k] == nil; i = int(next.Add(1)) - 1 {
				if errs[k] = context.Cause(ctx); errs[k] == nil {
					errs[k] = do(k, i)
				}
			}
		})
	}
	wg.Wait()
	return errors.Join(errs...)
}
