package report

import (
	"bytes"
	"errors"
	"io/fs"

	"cagebook/report/trackfile"
)

// Load reads a clip's results back: report.json, and the keypoints of its
// swings where there is a track.json.gz. read gives a file of the clip's folder.
func Load(name string, read func(file string) ([]byte, error)) (*Report, error) {
	data, err := read("report.json")
	if err != nil {
		return nil, err
	}
	r, err := Parse(name, data)
	if err != nil {
		return nil, err
	}
	data, err = read("track.json.gz")
	if errors.Is(err, fs.ErrNotExist) {
		return r, nil
	}
	if err != nil {
		return nil, err
	}
	tracks, err := trackfile.Read(bytes.NewReader(data), name+": track.json.gz", trackfile.Options{})
	if err != nil {
		return nil, err
	}
	for i := range r.Swings { // the file holds those that have a track, in the same order
		if i < len(tracks) && len(tracks) == len(r.Swings) {
			r.Swings[i].Track = tracks[i]
		}
	}
	return r, nil
}
