package pipeline

import (
	"bytes"
	"compress/gzip"
	"context"
	"encoding/gob"
	"errors"
	"fmt"
	"image"
	"image/draw"
	"image/jpeg"
	"io/fs"
	"maps"
	"math"
	"os"
	"path/filepath"
	"slices"

	xdraw "golang.org/x/image/draw"

	"cagebook/configs"
	"cagebook/phases"
	"cagebook/pipeline/video"
	"cagebook/pose"
	"cagebook/pose/bat"
	"cagebook/report"
	"cagebook/report/still"
)

// KeptDir is the folder below the output folder that holds what was read from
// the pictures of each clip, by the hash of its content, so that a moved instant
// or another height needs no second look at the video.
const KeptDir = ".kept"

// keptVersion changes when the form below does.
const keptVersion = 3

// kept is what the models and the search for the bat gave for one clip.
type kept struct {
	Version int
	Made    string // what made it: models, options, version, stated frame rate, hidden faces
	Bats    phases.Bats
	Found   phases.Bats // side that was found where none was stated; "" = several
	BatPart float64     // stated bat length / height, 0 = not both stated
	Info    video.Info
	Windows []keptWindow
	Swings  []keptSwing

	Rejected []phases.Rejected // what the screen took for no swing
	Sketches []pose.Track      // smoothed, of the windows that were sketched; kept where no swing was found
}

type keptWindow struct {
	Hitter  int
	Track   pose.Track // smoothed, with bat and ball
	Flights []keptFlight
}

// keptFlight is what was found of the ball about a swing.
type keptFlight struct {
	ContactS float64 // as the joints alone put it
	Flight   bat.Flight
}

// keptSwing holds the pictures of one swing.
type keptSwing struct {
	Film   report.Film
	Data   []byte         // the plain film
	Shots  []keptShot     // key frames in the order of their names: a map would be written in another order each time
	People *report.People // who was in view; nil = the hitter alone
	Crowd  []byte         // their picture
}

// keptShot is a key frame: the film's part of the picture at full size.
type keptShot struct {
	Frame int
	JPEG  []byte
}

// shot is the picture of a key frame, nil if it was not kept.
func (k *keptSwing) shot(frame int) []byte {
	for _, s := range k.Shots {
		if s.Frame == frame {
			return s.JPEG
		}
	}
	return nil
}

// keptMade says what a kept file must have been made by.
func keptMade(clip *Clip) string {
	t := ResultsOf(clip.Tool)
	var who configs.Place
	if p := clip.Sidecar.HitterAt; p != nil {
		who = *p
	}
	return fmt.Sprintf("%d %v %v %v %v", keptVersion, t, clip.Sidecar.CapturedFPS, clip.Sidecar.FacesHidden(), who)
}

// sameBat: a corrected height that changes the bat's part of it by less leaves
// the bat where it was found; the search allows for more.
const sameBat = 0.08

func batPart(g phases.Given) float64 {
	if g.BatLengthM > 0 && g.HeightM > 0 {
		return g.BatLengthM / g.HeightM
	}
	return 0
}

// readKept returns what an earlier run kept of a clip, nil if there is nothing
// that fits what is stated now.
func readKept(clip *Clip, given phases.Given) *kept {
	if clip.Kept == nil {
		return nil
	}
	data, err := clip.Kept()
	if err != nil {
		return nil // mostly there is none; a file that cannot be read is made anew
	}
	k, err := parseKept(data)
	if err != nil || k.Version != keptVersion || k.Made != keptMade(clip) {
		return nil
	}
	if !k.holds(given) {
		return nil // what a person has pointed at was not looked at closely
	}
	if was, is := k.BatPart, batPart(given); math.Abs(was-is) > sameBat*was {
		return nil // the bat was looked for by its length
	}
	if given.Bats != k.Bats && (k.Bats != phases.BatsUnset || given.Bats != k.Found) {
		return nil // the bat was looked for by the side
	}
	return k
}

// holds says whether every time that a person gave lies in a window that was looked at closely.
func (k *kept) holds(given phases.Given) bool {
	for _, times := range given.Marks {
		for _, at := range times {
			if !slices.ContainsFunc(k.Windows, func(w keptWindow) bool {
				t := w.Track.Times
				return len(t) > 0 && at >= t[0] && at <= t[len(t)-1]
			}) {
				return false
			}
		}
	}
	return true
}

// KeptTracks are the tracks that an earlier run kept of a clip of this content below the output folder, as raw as they were
// read: of what was looked at closely, or else of what was sketched. None where nothing was kept.
func KeptTracks(out, sha256 string) ([]*pose.Track, error) {
	data, err := os.ReadFile(filepath.Join(out, KeptDir, sha256))
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	} else if err != nil {
		return nil, err
	}
	k, err := parseKept(data)
	if err != nil {
		return nil, fmt.Errorf("kept tracks of %s: %w", sha256, err)
	}
	var tracks []*pose.Track
	for i := range k.Windows {
		tracks = append(tracks, &k.Windows[i].Track)
	}
	if len(k.Windows) == 0 {
		for i := range k.Sketches {
			tracks = append(tracks, &k.Sketches[i])
		}
	}
	for _, t := range tracks {
		t.Smooth = nil
	}
	return tracks, nil
}

func parseKept(data []byte) (*kept, error) {
	zr, err := gzip.NewReader(bytes.NewReader(data))
	if err != nil {
		return nil, err
	}
	var k kept
	if err := gob.NewDecoder(zr).Decode(&k); err != nil {
		return nil, err
	}
	return &k, nil
}

func (k *kept) write(clip *Clip) error {
	if clip.Keep == nil {
		return nil
	}
	var b bytes.Buffer
	zw, err := gzip.NewWriterLevel(&b, gzip.BestSpeed)
	if err != nil {
		return err
	}
	if err := gob.NewEncoder(zw).Encode(k); err != nil {
		return fmt.Errorf("keep: %w", err)
	}
	if err := zw.Close(); err != nil {
		return err
	}
	return clip.Keep(b.Bytes())
}

// windows are those of the dense pass, as they were.
func (k *kept) windows() (out []DenseWindow) {
	for i := range k.Windows {
		w := &k.Windows[i]
		out = append(out, DenseWindow{Hitter: w.Hitter, Track: w.Track, flights: w.Flights, followed: true})
	}
	return out
}

// keepClip keeps what was read of a clip that was looked at in full.
func keepClip(clip *Clip, given phases.Given, info video.Info, seen screened, windows []DenseWindow, r *report.Report, pics *pictures) error {
	k := &kept{Version: keptVersion, Made: keptMade(clip), Bats: given.Bats, BatPart: batPart(given), Info: info, Rejected: seen.rejected}
	if len(r.Swings) == 0 {
		for i := range seen.sketches {
			k.Sketches = append(k.Sketches, seen.sketches[i].Track)
		}
	}
	for i := range r.Swings {
		if b := r.Swings[i].Bats; i == 0 {
			k.Found = b
		} else if b != k.Found {
			k.Found = ""
		}
	}
	for i := range windows {
		w := &windows[i]
		k.Windows = append(k.Windows, keptWindow{w.Hitter, w.Track, w.flights})
	}
	for i := range r.Swings {
		sw := &r.Swings[i]
		if sw.Film == nil || sw.Film.Path == "" || pics.films[sw.Number] == nil {
			return nil // without the film a second look is needed anyway
		}
		ks := keptSwing{Film: *sw.Film, Data: pics.films[sw.Number], People: sw.People, Crowd: pics.people[sw.Number]}
		for _, name := range phases.KeyFrames {
			for _, e := range sw.Events {
				if b := pics.parts[e.Frame]; e.Name == name && b != nil && ks.shot(e.Frame) == nil {
					ks.Shots = append(ks.Shots, keptShot{e.Frame, b})
				}
			}
		}
		k.Swings = append(k.Swings, ks)
	}
	return k.write(clip)
}

// part is the film's part of a frame at full size, as JPEG that is kept and as picture. Several goroutines may ask for parts.
func (p *pictures) part(f *report.Film, frame int) (image.Image, error) {
	p.partsMu.Lock()
	data := p.parts[frame]
	p.partsMu.Unlock()
	if data == nil {
		img, err := p.image(frame, f.Crop())
		if err != nil {
			return nil, err
		}
		crop := f.Crop().Intersect(img.Bounds())
		local := image.NewRGBA(image.Rect(0, 0, crop.Dx(), crop.Dy()))
		draw.Draw(local, local.Rect, img, crop.Min, draw.Src)
		var b bytes.Buffer
		if err := jpeg.Encode(&b, local, &jpeg.Options{Quality: 92}); err != nil {
			return nil, err
		}
		p.partsMu.Lock()
		if data = p.parts[frame]; data == nil { // two swings may share a frame: the first film's part stays
			data = b.Bytes()
			if p.parts == nil {
				p.parts = map[int][]byte{}
			}
			p.parts[frame] = data
		}
		p.partsMu.Unlock()
	}
	return placed(data, f)
}

// placed decodes the film's part of a frame and puts it where it lies in the frame.
func placed(data []byte, f *report.Film) (image.Image, error) {
	img, err := jpeg.Decode(bytes.NewReader(data))
	if err != nil {
		return nil, err
	}
	out := image.NewRGBA(image.Rectangle{Max: img.Bounds().Size()}.Add(f.Crop().Min))
	draw.Draw(out, out.Rect, img, img.Bounds().Min, draw.Src)
	return out, nil
}

// again writes a clip's files from what was kept: no decoding of the clip, no
// model. ok is false where the kept pictures do not hold an instant that is needed now.
func (k *kept) again(ctx context.Context, clip Clip, in report.Input, tempDir string) (res Result, ok bool, err error) {
	r := report.Build(in)
	of := make([]*keptSwing, len(r.Swings))
	for i := range r.Swings {
		sw := &r.Swings[i]
		if of[i] = k.pick(sw); of[i] == nil {
			return res, false, nil
		}
		f := of[i].Film
		f.Path = fmt.Sprintf("swing-%d/film.mp4", sw.Number)
		sw.Film, sw.Replay = &f, fmt.Sprintf("swing-%d/replay.mp4", sw.Number)
	}
	dir, err := os.MkdirTemp(tempDir, "cagebook-film-*")
	if err != nil {
		return res, false, err
	}
	defer func() { err = errors.Join(err, os.RemoveAll(dir)) }()
	for i := range r.Swings {
		sw := &r.Swings[i]
		if err := clip.Put(sw.Film.Path, of[i].Data); err != nil {
			return res, false, err
		}
		if err := os.WriteFile(filmFile(dir, sw), of[i].Data, 0o600); err != nil {
			return res, false, err
		}
		if of[i].People == nil {
			continue
		}
		who := *of[i].People
		who.Picture = peopleFile(sw.Number)
		sw.People = &who
		if err := clip.Put(who.Picture, of[i].Crowd); err != nil {
			return res, false, err
		}
	}
	// The slow motions are drawn beside the stills: neither waits for the other.
	replays := make(chan error, 1)
	plan := replayPlans(r)
	go func() { replays <- plan.draw(ctx, dir, clip.Put) }()
	defer func() { err = errors.Join(err, <-replays) }()
	frames := map[int]image.Image{} // of moved instants, from the films
	for i := range r.Swings {
		if err := moved(ctx, filmFile(dir, &r.Swings[i]), &r.Swings[i], of[i], frames); err != nil {
			return res, false, err
		}
	}
	at := func(number, frame int) (image.Image, error) {
		if img := frames[frame]; img != nil {
			return img, nil
		}
		for i := range r.Swings {
			if data := of[i].shot(frame); r.Swings[i].Number == number && data != nil {
				return placed(data, r.Swings[i].Film)
			}
		}
		return nil, fmt.Errorf("no picture of frame %d was kept", frame)
	}
	err = report.WriteClipBy(spreadOver, allButReport(clip.Put), r, at)
	return Result{Report: r}, err == nil, err
}

func filmFile(dir string, sw *report.Swing) string {
	return filepath.Join(dir, fmt.Sprintf("film-%d.mp4", sw.Number))
}

// pick finds the kept pictures of a swing: those of a film that holds all its key frames.
func (k *kept) pick(sw *report.Swing) *keptSwing {
	for i := range k.Swings {
		f := &k.Swings[i].Film
		holds, n := true, 0
		for _, name := range phases.KeyFrames {
			for _, e := range sw.Events {
				if e.Name == name {
					n++
					holds = holds && e.Frame >= f.FirstFrame && e.Frame <= f.LastFrame
				}
			}
		}
		if holds && n > 0 {
			return &k.Swings[i]
		}
	}
	return nil
}

// moved takes the pictures of key frames that were not kept from the film, at the size of the clip.
func moved(ctx context.Context, file string, sw *report.Swing, ks *keptSwing, into map[int]image.Image) error {
	want := map[int][]int{} // position in the film → frames of the clip
	for _, name := range phases.KeyFrames {
		for _, e := range sw.Events {
			if e.Name != name || ks.shot(e.Frame) != nil {
				continue
			}
			best, near := -1, math.MaxInt
			for i, k := range sw.FilmSamples() {
				if d := abs(sw.Track.Frames[k] - e.Frame); d < near {
					best, near = i, d
				}
			}
			want[best] = append(want[best], e.Frame)
		}
	}
	if len(want) == 0 {
		return nil
	}
	at := slices.Sorted(maps.Keys(want))
	film, err := openFilm(ctx, file, sw.Film, at...)
	if err != nil {
		return err
	}
	defer film.tool.stop()
	for n, i := range at {
		if err := film.to(n); err != nil {
			return err
		}
		img := image.NewRGBA(sw.Film.Crop())
		xdraw.CatmullRom.Scale(img, img.Rect, film.pic, film.pic.Rect, xdraw.Src, nil)
		for _, frame := range want[i] {
			into[frame] = img
		}
	}
	return nil
}

func abs(v int) int { return max(v, -v) }

// replayPlan is all that the slow motions need, taken from the report before its pages are written.
type replayPlan struct {
	fps    float64
	swings []replaySwing
}

type replaySwing struct {
	number int
	film   report.Film
	scenes []still.ReplayFrame
}

func replayPlans(r *report.Report) replayPlan {
	p := replayPlan{fps: float64(r.Clip.CapturedFPS)}
	for i := range r.Swings {
		sw := &r.Swings[i]
		p.swings = append(p.swings, replaySwing{sw.Number, *sw.Film, sw.ReplayFrames()})
	}
	return p
}

// draw makes the slow motions from the films in dir.
func (p replayPlan) draw(ctx context.Context, dir string, put func(name string, data []byte) error) error {
	fonts, err := still.NewFonts()
	if err != nil {
		return err
	}
	for _, s := range p.swings {
		film, err := openFilm(ctx, filepath.Join(dir, fmt.Sprintf("film-%d.mp4", s.number)), &s.film)
		if err != nil {
			return err
		}
		file := filepath.Join(dir, fmt.Sprintf("replay-%d.mp4", s.number))
		err = film.tool.wait(drawSlow(ctx, p.fps, &s.film, s.scenes, film.tool.out, nil, file, fonts))
		if err != nil {
			return err
		}
		data, err := os.ReadFile(file)
		if err != nil {
			return err
		}
		if err := put(fmt.Sprintf("swing-%d/replay.mp4", s.number), data); err != nil {
			return err
		}
	}
	return nil
}

// allButReport leaves report.json to the caller, who writes it last.
func allButReport(put func(name string, data []byte) error) func(name string, data []byte) error {
	return func(name string, data []byte) error {
		if name == ReportFile {
			return nil
		}
		return put(name, data)
	}
}

// follow looks for bat and ball about a swing, or remembers what an earlier look found.
func (w *DenseWindow) follow(sw *phases.Swing, given phases.Given) (bat.Flight, error) {
	c, ok := sw.Event(phases.Contact)
	if w.followed {
		best := keptFlight{ContactS: math.Inf(1)}
		for _, f := range w.flights {
			if ok && math.Abs(f.ContactS-c.TimeS) < math.Abs(best.ContactS-c.TimeS) {
				best = f
			}
		}
		if math.Abs(best.ContactS-c.TimeS) > sameSwingS {
			return bat.Flight{}, nil
		}
		return best.Flight, nil
	}
	found, err := followBat(w, sw, given)
	if err == nil && ok {
		w.flights = append(w.flights, keptFlight{c.TimeS, found.Flight})
	}
	return found.Flight, err
}

// sameSwingS: two swings of a hitter are farther apart, and nobody corrects contact by more.
const sameSwingS = 0.4

// followUnmarked looks for bat and ball where detection alone puts the swings,
// so that a mark that is set later finds the same bat.
func (w *DenseWindow) followUnmarked(given phases.Given) error {
	given.Marks = nil
	res, err := phases.Detect(&w.Track, given)
	if errors.Is(err, phases.ErrNoTrack) {
		return nil
	} else if err != nil {
		return err
	}
	for i := range res.Swings {
		sw := &res.Swings[i]
		sw.Scale = phases.EstimateScale(&w.Track, sw.From, sw.To, given)
		if _, err := w.follow(sw, given); err != nil {
			return err
		}
	}
	w.followed = true
	return nil
}
