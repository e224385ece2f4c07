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

// WriteClipBy is WriteClip with all that takes long left to each. put is not called by it.
func WriteClipBy(each Each, put func(name string, data []byte) error, r *Report, pics Pictures) error {
	rules, err := configs.DefaultRules()
	if err != nil {
		return err
	}
	var tracks []trackfile.Swing
	type file struct {
		name string
		make func() ([]byte, error)
		data []byte
		err  error
	}
	var last []file // one after the other they would take as long as the stills
	for i := range r.Swings {
		sw := &r.Swings[i]
		if pics != nil {
			handout, err := writeStills(each, put, r, sw, pics, rules)
			if err != nil {
				return fmt.Errorf("%s: %w", r.Clip.Path, err)
			}
			if handout != nil {
				last = append(last, file{name: sw.Handout, make: handout})
			}
		}
		if sw.Track != nil && sw.Source != nil {
			tracks = append(tracks, trackfile.Swing{Number: sw.Number, Track: sw.Track, From: sw.Source.From, To: sw.Source.To})
		}
	}
	if len(tracks) > 0 {
		last = append(last, file{name: "track.json.gz", make: func() ([]byte, error) {
			var b bytes.Buffer
			tool := trackfile.Tool{Version: r.Tool.Version, Models: r.Tool.Models, Options: r.Tool.Options}
			err := trackfile.Write(&b, tool, tracks)
			return b.Bytes(), err
		}})
	}
	each(len(last), func(i int) { last[i].data, last[i].err = last[i].make() })
	for _, f := range last {
		if f.err != nil {
			return fmt.Errorf("%s: %w", r.Clip.Path, f.err)
		}
		if err := put(f.name, f.data); err != nil {
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
