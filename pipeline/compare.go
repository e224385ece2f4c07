package pipeline

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"image"
	"image/jpeg"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"cagebook/configs"
	"cagebook/phases"
	"cagebook/report"
	"cagebook/report/still"
)

// stillHeightPx is what a body height spans in the stills of a pair; films hold no more detail.
const stillHeightPx = 450

// WriteComparison writes two swings beside each other through put: compare.html,
// compare.json, a pair of stills for each key frame, and a film of both in which
// each picture shows both at the same part of the swing. filmA and filmB are the plain films
// of the two; key goes into compare.json.
func WriteComparison(ctx context.Context, c *report.Comparison, filmA, filmB, key string, put func(name string, data []byte) error) (err error) {
	fonts, err := still.NewFonts()
	if err != nil {
		return err
	}
	dir, err := os.MkdirTemp("", "cagebook-pair-*")
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, os.RemoveAll(dir)) }()
	file := filepath.Join(dir, "pair.mp4")
	if err := drawPairs(ctx, c, filmA, filmB, file, fonts, put); err != nil {
		return err
	}
	data, err := os.ReadFile(file)
	if err != nil {
		return err
	}
	if err := put("pair.mp4", data); err != nil {
		return err
	}
	if data, err = c.HTML("pair.mp4"); err != nil {
		return err
	}
	if err := put("compare.html", data); err != nil {
		return err
	}
	if data, err = c.JSON(key); err != nil {
		return err
	}
	return put("compare.json", data)
}

// drawPairs reads both films side by side, writes the stills and encodes the film of both.
func drawPairs(ctx context.Context, c *report.Comparison, filmA, filmB, file string, fonts *still.Fonts, put func(name string, data []byte) error) error {
	a, err := openFilm(ctx, filmA, c.A.Swing.Film)
	if err != nil {
		return err
	}
	defer a.tool.stop()
	b, err := openFilm(ctx, filmB, c.B.Swing.Film)
	if err != nil {
		return err
	}
	defer b.tool.stop()
	box, large := c.Box(report.PairHeightPx), c.Box(stillHeightPx)
	w, h := box.Size()
	img := image.NewRGBA(image.Rect(0, 0, w, h))
	out, err := startTool(ctx, append(append(rawArgs(w, h, filmRate), filmArgs(25, filmGOP)...), file))
	if err != nil {
		return err
	}
	defer out.stop()
	frames, keys := c.A.Swing.ReplayFrames(), c.KeyPositions()
	for i := range c.Samples {
		if err := errors.Join(a.to(c.Samples[i]), b.to(c.Partner[i])); err != nil {
			return out.wait(err)
		}
		left, right := c.Pair(i, a.pic, b.pic)
		if err := still.DrawPair(img, &left, &right, box, &frames[i], fonts); err != nil {
			return out.wait(err)
		}
		if _, err := out.in.Write(img.Pix); err != nil {
			return out.wait(fmt.Errorf("film of both: %w", err))
		}
		for n, k := range keys {
			if k != i {
				continue
			}
			f := frames[i] // two key frames may fall on one picture
			f.Number, f.Moment, f.Key = c.Moments[n]+1, report.EventWords(string(phases.KeyFrames[c.Moments[n]])), true
			if err := putPair(put, report.PairName(c.Moments[n]), &left, &right, large, &f, fonts); err != nil {
				return out.wait(err)
			}
		}
	}
	return out.wait(out.in.Close())
}

func putPair(put func(name string, data []byte) error, name string, a, b *still.Side, box still.PairBox, f *still.ReplayFrame, fonts *still.Fonts) error {
	w, h := box.Size()
	img := image.NewRGBA(image.Rect(0, 0, w, h))
	if err := still.DrawPair(img, a, b, box, f, fonts); err != nil {
		return err
	}
	var buf bytes.Buffer
	if err := jpeg.Encode(&buf, img, &jpeg.Options{Quality: 88}); err != nil {
		return err
	}
	return put(name, buf.Bytes())
}

// filmReader decodes a plain film picture by picture.
type filmReader struct {
	tool *tool
	pic  *image.RGBA
	at   int // position of pic, -1 before the first
}

// openFilm reads a film from its beginning: all its pictures, or only those at some positions, rising.
func openFilm(ctx context.Context, path string, f *report.Film, only ...int) (*filmReader, error) {
	if _, err := os.Stat(path); err != nil {
		return nil, err
	}
	pick := ""
	if len(only) > 0 {
		pick = "select="
		for i, n := range only {
			if i > 0 {
				pick += "+"
			}
			pick += fmt.Sprintf("eq(n\\,%d)", n)
		}
		pick += ","
	}
	t, err := startTool(ctx, []string{"-nostdin", "-v", "error", "-i", "file:" + path, "-map", "0:v:0", "-vf", pick + "scale=in_color_matrix=bt709:in_range=limited,format=rgba", "-vsync", "0", "-f", "rawvideo", "pipe:1"})
	if err != nil {
		return nil, err
	}
	return &filmReader{t, image.NewRGBA(image.Rect(0, 0, f.Width, f.Height)), -1}, nil
}

// to reads on until position i.
func (r *filmReader) to(i int) error {
	for r.at < i {
		if _, err := io.ReadFull(r.tool.out, r.pic.Pix); err != nil {
			return fmt.Errorf("film, picture %d: %w", r.at+2, err)
		}
		r.at++
	}
	return nil
}

// LoadClip reads the results in a clip's folder, or those of its report.json.
func LoadClip(path string) (r *report.Report, dir string, err error) {
	dir = path
	if info, err := os.Stat(path); err != nil {
		return nil, "", err
	} else if !info.IsDir() {
		dir = filepath.Dir(path)
	}
	r, err = report.Load(dir, func(name string) ([]byte, error) { return os.ReadFile(filepath.Join(dir, name)) })
	return r, dir, err
}

// Compare sets swings of two folders of results beside each other; number 0 takes the first swing. back is
// the page to which the comparison belongs, as its page links to it; "" = none.
func Compare(ctx context.Context, pathA string, numberA int, pathB string, numberB int, back string, put func(name string, data []byte) error) (*report.Comparison, error) {
	a, dirA, err := loadSwing(pathA, numberA)
	if err != nil {
		return nil, err
	}
	b, dirB, err := loadSwing(pathB, numberB)
	if err != nil {
		return nil, err
	}
	c, err := report.Compare(a, b)
	if err != nil {
		return nil, err
	}
	c.Back = back
	return c, WriteComparison(ctx, c, filepath.Join(dirA, a.Swing.Film.Path), filepath.Join(dirB, b.Swing.Film.Path), compareKey(a, b), put)
}

func loadSwing(path string, number int) (report.Compared, string, error) {
	r, dir, err := LoadClip(path)
	if err != nil {
		return report.Compared{}, "", err
	}
	c, err := report.SwingOf(r, number)
	if err == nil && (c.Swing.Film.Path == "" || !filepath.IsLocal(filepath.FromSlash(c.Swing.Film.Path))) {
		err = fmt.Errorf("%w: swing %d of %s has no film", report.ErrNoSwing, c.Swing.Number, r.Clip.Path)
	}
	return c, dir, err
}

// compareKey changes when either result does.
func compareKey(a, b report.Compared) string {
	parts := []string{a.Report.Tool.Key, strconv.Itoa(a.Swing.Number), b.Report.Tool.Key, strconv.Itoa(b.Swing.Number)}
	if slices.Contains(parts, "") {
		return ""
	}
	return parts[0] + "/" + parts[1] + "/" + parts[2] + "/" + parts[3]
}

// besideReferences sets every swing whose clip names a reference beside it, at
// the end of a run, when all clips have results. What cannot be compared is said
// on the page; only an interruption is an error.
func (r *run) besideReferences(ctx context.Context, l listing) error {
	for i, f := range l.Clips {
		rep := r.reports[i]
		if rep == nil || !slices.ContainsFunc(rep.Swings, func(s report.Swing) bool { return s.Beside != "" }) {
			continue
		}
		sidecar, err := configs.ForClip(rootOf(r.root, f.Path), f.Path)
		if err != nil || sidecar.Reference == "" {
			continue
		}
		r.emit(Event{Kind: EventProgress, Clip: f.Rel, Stage: "setting it beside the reference"})
		for _, s := range rep.Swings {
			if err := r.beside(ctx, f.Rel, s.Number, sidecar.Reference); err != nil {
				return err
			}
		}
	}
	return nil
}

func (r *run) beside(ctx context.Context, rel string, number int, reference string) error {
	folder := clipFile(rel, report.BesideFolder(number))
	put := func(name string, data []byte) error { return r.store.Put(folder+"/"+name, data) }
	own := filepath.Join(r.out, ClipsDir, filepath.FromSlash(rel))
	model := r.resultsOf(reference)
	if a, _, err := loadSwing(own, number); err == nil {
		if b, _, err := loadSwing(model, 0); err == nil && r.sameComparison(folder, compareKey(a, b)) {
			return nil
		}
	}
	_, err := Compare(ctx, own, number, model, 0, report.BesideBack, put)
	switch {
	case ctx.Err() != nil:
		return context.Cause(ctx)
	case err == nil:
		return nil
	}
	page, perr := report.NoComparison(sentence("the reference cannot be used: " + strings.ReplaceAll(err.Error(), rootOf(r.root, r.root)+string(filepath.Separator), "")))
	if perr != nil {
		return perr
	}
	return put("compare.html", page)
}

// resultsOf is the folder of results that a reference means: its own, if it holds
// a report, or that of a clip of this run.
func (r *run) resultsOf(reference string) string {
	if _, err := os.Stat(filepath.Join(reference, ReportFile)); err == nil {
		return reference
	}
	if rel, err := filepath.Rel(rootOf(r.root, r.root), reference); err == nil && filepath.IsLocal(rel) {
		return filepath.Join(r.out, ClipsDir, rel)
	}
	return reference
}

// sameComparison says whether the stored comparison is of the same two results.
func (r *run) sameComparison(folder, key string) bool {
	data, err := r.store.Read(folder + "/compare.json")
	var old struct {
		Key string `json:"key"`
	}
	return err == nil && json.Unmarshal(data, &old) == nil && old.Key != "" && old.Key == key
}
