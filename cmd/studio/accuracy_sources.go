package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"strings"

	"cagebook/phases"
	"cagebook/pipeline"
	"cagebook/pipeline/studio"
	"cagebook/pose"
	"cagebook/pose/smooth"
	"cagebook/report"
	"cagebook/report/trackfile"
)

// youthBelowM is the height below which a hitter of the studio is a child: the sidecars of its clips say so, too.
const youthBelowM = 1.6

func hitterOf(tr *studio.Truth) report.Hitter {
	h := report.Hitter{HeightM: report.Num(tr.HeightM), BatLengthM: report.Num(tr.BatLengthM)}
	if tr.HeightM < youthBelowM {
		h.Level = "youth"
	}
	return h
}

// scene holds the keypoints of a scene that is not rendered against its truth.
func (b *bench) scene(s *studio.Scene, noise float64, only13 bool) error {
	tr, err := s.Truth()
	if err != nil {
		return err
	}
	t := trackOf(s.Track(tr, noise, only13))
	t.Width, t.Height = tr.Width, tr.Height
	c := clip{label: fmt.Sprintf("scene %d %3.0f fps %s az %4.0f %s", s.Seed, s.FPS, tr.Bats, tr.View.AzimuthDeg, s.Hitter.Style.Stride), truth: tr, hitter: hitterOf(tr)}
	if err := b.measure(&c, t, nil); err != nil {
		return fmt.Errorf("scene %d: %w", s.Seed, err)
	}
	b.add(c)
	return nil
}

// measure smooths a track and finds, measures and judges its swings, as the program does. What ball and sound
// say of contact is taken from the swings in before.
func (b *bench) measure(c *clip, t *pose.Track, before []phases.Swing) error {
	t.Smooth = nil
	if err := smooth.Track(t, smooth.Options{}); errors.Is(err, smooth.ErrShort) {
		return nil
	} else if err != nil {
		return err
	}
	res, err := phases.Detect(t, phases.Given{})
	if err != nil && !errors.Is(err, phases.ErrNoTrack) {
		return err
	}
	given := phases.Given{HeightM: c.truth.HeightM, BatLengthM: c.truth.BatLengthM}
	for i := range res.Swings {
		sw := &res.Swings[i]
		sw.Scale = phases.EstimateScale(t, sw.From, sw.To, given)
		cues := cuesNear(before, sw)
		if q, ok := phases.BatCue(t, sw); ok {
			cues = append(cues, q)
		}
		if len(cues) > 0 {
			phases.Refine(t, sw, given, cues, true, phases.Heard{})
		}
		sw.Measures = phases.MeasureAll(t, sw, given, 1)
		c.swings = append(c.swings, found{*sw, report.Judge(sw, b.rules, c.hitter), t})
	}
	c.rejected = append(c.rejected, res.Rejected...)
	return nil
}

// cuesNear are what ball and sound say of contact, of the swing whose contact is near that of sw.
func cuesNear(swings []phases.Swing, sw *phases.Swing) (cues []phases.ContactCue) {
	at, _ := sw.Event(phases.Contact)
	for i := range swings {
		e, ok := swings[i].Event(phases.Contact)
		if !ok || math.Abs(e.TimeS-at.TimeS) > matchS {
			continue
		}
		for _, q := range e.Cues {
			if q.From != "keypoints" && q.From != "bat" {
				q.LeftOut = false
				cues = append(cues, q)
			}
		}
	}
	return cues
}

// reports holds what cagebook run wrote into outDir against the truth of the same clips. With again, everything after
// the pose model is done anew from the track files.
func (b *bench) reports(outDir, truthDir string, again bool) error {
	return filepath.WalkDir(truthDir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || filepath.Ext(path) != ".json" {
			return err
		}
		rel, err := filepath.Rel(truthDir, path)
		if err != nil {
			return err
		}
		rel = strings.TrimSuffix(rel, ".json")
		name := filepath.Join(outDir, "clips", rel, "report.json")
		data, err := os.ReadFile(name)
		if errors.Is(err, fs.ErrNotExist) {
			b.noReport = append(b.noReport, rel)
			return nil
		} else if err != nil {
			return err
		}
		rep, err := report.Parse(name, data)
		if err != nil {
			return err
		}
		tr, err := readTruth(path)
		if err != nil {
			return err
		}
		b.states[rep.Outcome.State]++
		b.versions[rep.Tool.Version]++
		if s := rep.Outcome.State; s != report.Done && s != report.NoSwing {
			b.notice("%s: %s: %s", rel, s, rep.Outcome.Reason)
		}
		tracks, err := readTracks(filepath.Join(filepath.Dir(name), "track.json.gz"))
		if err != nil {
			return err
		}
		c := clip{label: fmt.Sprintf("%s %3.0f fps %s az %4.0f", rel, tr.FPS, tr.Bats, tr.View.AzimuthDeg), truth: tr, hitter: rep.Hitter}
		before := swingsOf(rep)
		if again && len(before) == 0 { // a swing that was missed may be found now
			if tracks, err = pipeline.KeptTracks(outDir, rep.Clip.SHA256); err != nil {
				return err
			}
		}
		if again {
			for _, t := range tracks {
				if err := b.measure(&c, t, before); err != nil {
					return fmt.Errorf("%s: %w", rel, err)
				}
			}
		} else {
			for i, sw := range before {
				f := found{Swing: sw, findings: rep.Swings[i].Findings}
				if len(tracks) == len(before) { // one a swing, in order
					f.track = tracks[i]
				}
				c.swings = append(c.swings, f)
			}
			for _, j := range rep.Rejected {
				c.rejected = append(c.rejected, phases.Rejected{TimeS: float64(j.TimeS), Reason: j.Reason})
			}
		}
		b.add(c)
		return nil
	})
}

func readTruth(path string) (*studio.Truth, error) {
	var tr studio.Truth
	data, err := os.ReadFile(path)
	if err == nil {
		err = json.Unmarshal(data, &tr)
	}
	if err != nil {
		return nil, fmt.Errorf("truth %s: %w", path, err)
	}
	return &tr, nil
}

// readTracks reads a report's track file; a clip without a swing has none.
func readTracks(name string) ([]*pose.Track, error) {
	f, err := os.Open(name)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	} else if err != nil {
		return nil, err
	}
	defer f.Close()
	return trackfile.Read(f, name, trackfile.Options{})
}

// swingsOf is what a report says, in the form of phases.
func swingsOf(r *report.Report) []phases.Swing {
	var out []phases.Swing
	for _, s := range r.Swings {
		sw := phases.Swing{
			Number: s.Number, Bats: s.Bats, Score: float64(s.Score),
			View: phases.View{Side: s.View.Side, AzimuthDeg: float64(s.View.AzimuthDeg), SigmaDeg: float64(s.View.SigmaDeg)},
		}
		for _, e := range s.Events {
			ev := phases.Event{Name: e.Name, TimeS: float64(e.TimeS), SigmaS: float64(e.SigmaS), Frame: e.Frame, From: e.From}
			for _, q := range e.Cues {
				ev.Cues = append(ev.Cues, phases.ContactCue{TimeS: float64(q.TimeS), SigmaS: float64(q.SigmaS), From: q.From, LeftOut: q.LeftOut})
			}
			sw.Events = append(sw.Events, ev)
		}
		for _, m := range s.Measures {
			sw.Measures = append(sw.Measures, phases.Measure{Name: m.Name, Event: m.Event, Value: float64(m.Value), Sigma: float64(m.Sigma), Unit: m.Unit, Status: m.Status})
		}
		out = append(out, sw)
	}
	return out
}

func trackOf(f *studio.TrackFile) *pose.Track {
	t := &pose.Track{}
	joints := make([]pose.Joint, len(f.Names))
	for k, n := range f.Names {
		joints[k], _ = pose.ParseJoint(n)
		t.Has[joints[k]] = true
	}
	for _, fr := range f.Frames {
		var p pose.Pose
		for k, j := range joints {
			p[j] = pose.Keypoint{X: fr.Raw[k][0], Y: fr.Raw[k][1], Score: fr.Raw[k][2]}
		}
		t.Frames, t.Times, t.Raw = append(t.Frames, fr.Frame), append(t.Times, fr.TimeS), append(t.Raw, p)
	}
	return t
}
