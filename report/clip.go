package report

import (
	"bytes"
	"fmt"

	"cagebook/configs"
	"cagebook/report/trackfile"
)

// WriteClip writes all files of one clip through put: the stills and proof
// sheet of each swing, track.json.gz, report.html and, last, report.json, so
// that a clip with a report.json is a finished clip. pics may be nil where
// there is no video. It fills in the stills' paths in r.
func WriteClip(put func(name string, data []byte) error, r *Report, pics Pictures) error {
	return WriteClipBy(oneAfterAnother, put, r, pics)
}

// Each runs f for every number below n, in any order or at once, and returns when all are done.
type Each func(n int, f func(i int))

func oneAfterAnother(n int, f func(i int)) {
	for i := range n {
		f(i)
	}
}

// WriteClipBy is WriteClip with the drawing left to each. pics and put are not called by it.
func WriteClipBy(each Each, put func(name string, data []byte) error, r *Report, pics Pictures) error {
	rules, err := configs.DefaultRules()
	if err != nil {
		return err
	}
	var tracks []trackfile.Swing
	for i := range r.Swings {
		sw := &r.Swings[i]
		if pics != nil {
			if err := writeStills(each, put, r, sw, pics, rules); err != nil {
				return fmt.Errorf("%s: %w", r.Clip.Path, err)
			}
		}
		if sw.Track != nil && sw.Source != nil {
			tracks = append(tracks, trackfile.Swing{Number: sw.Number, Track: sw.Track, From: sw.Source.From, To: sw.Source.To})
		}
	}
	if len(tracks) > 0 {
		var b bytes.Buffer
		tool := trackfile.Tool{Version: r.Tool.Version, Models: r.Tool.Models, Options: r.Tool.Options}
		if err := trackfile.Write(&b, tool, tracks); err != nil {
			return fmt.Errorf("%s: %w", r.Clip.Path, err)
		}
		if err := put("track.json.gz", b.Bytes()); err != nil {
			return err
		}
	}
	page, err := r.HTML()
	if err != nil {
		return err
	}
	if err := put("report.html", page); err != nil {
		return err
	}
	data, err := r.Marshal()
	if err != nil {
		return err
	}
	return put("report.json", data)
}
