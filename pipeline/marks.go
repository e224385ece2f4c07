package pipeline

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"gopkg.in/yaml.v3"

	"cagebook/configs"
)

// ErrCorrections says that corrections cannot be saved as they are.
var ErrCorrections = errors.New("corrections cannot be saved")

// correctable are the settings that a report page may change: who swings, how
// tall and on which side, and the moments. What is said of consent and faces is
// for the person at the files.
var correctable = []string{"hitter", "bats", "height_m", "bat_length_m", "level", "sport", "task", "hitter_at", "marks"}

// inInches are the same settings in inches.
var inInches = map[string]string{"height_m": "height_in", "bat_length_m": "bat_length_in"}

// ownFile is a settings file of one clip.
type ownFile struct {
	name string // below the folder of clips
	text []byte
	mine map[string]*yaml.Node // what is to be written; nil = taken away
}

// SaveCorrections writes a person's corrections into the settings file beside a
// clip, which is made where there is none; everything else in the file stays,
// comments too. data holds lines as the report page writes them; rel is the clip
// below root. It returns the names of the files below root that were written.
func SaveCorrections(root, rel string, data []byte) (files []string, err error) {
	local := filepath.FromSlash(rel)
	if !filepath.IsLocal(local) {
		return nil, fmt.Errorf("%w: %q is no clip of this folder", ErrCorrections, rel)
	}
	values, order, err := corrections(data)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrCorrections, err)
	}
	dir, err := os.OpenRoot(root) // no link leads out of it
	if err != nil {
		return nil, err
	}
	defer dir.Close()
	if info, err := dir.Stat(local); err != nil || !info.Mode().IsRegular() {
		return nil, fmt.Errorf("%w: the clip %s is not in the folder of clips", ErrCorrections, rel)
	}
	own, err := ownSettings(dir, local)
	if err != nil {
		return nil, err
	}
	for _, key := range order { // where a key stands already it is replaced
		at := slices.IndexFunc(own, func(f ownFile) bool { return f.has(key) })
		own[max(at, 0)].mine[key] = values[key]
		if inches, ok := inInches[key]; ok { // the page writes metres; both may not stand side by side
			for i := range own {
				if own[i].has(inches) {
					own[i].mine[inches] = nil
				}
			}
		}
	}
	for i := range own {
		f := &own[i]
		if len(f.mine) == 0 {
			continue
		}
		text, err := f.with(append(slices.Clone(order), slices.Sorted(maps.Values(inInches))...))
		if err != nil {
			return nil, fmt.Errorf("%w: %s: %w", ErrCorrections, f.name, err)
		}
		if _, ps := configs.ParseSidecar(f.name, text); len(ps) > 0 {
			return nil, fmt.Errorf("%w: %w", ErrCorrections, ps)
		}
		f.text = text
	}
	for i := range own {
		f := &own[i]
		if len(f.mine) == 0 {
			continue
		}
		real, err := filepath.EvalSymlinks(filepath.Join(root, filepath.Dir(f.name)))
		if err != nil {
			return files, err
		}
		if err := writeAtomic(osDisk{}, filepath.Join(real, filepath.Base(f.name)), f.text); err != nil {
			return files, err
		}
		files = append(files, filepath.ToSlash(f.name))
	}
	return files, nil
}

// corrections reads what the page sends: its keys in their order, and clean nodes for them.
func corrections(data []byte) (values map[string]*yaml.Node, order []string, err error) {
	got, ps := configs.ParseSidecar("corrections", data)
	if len(ps) > 0 {
		return nil, nil, ps
	}
	var doc yaml.Node
	if err := yaml.Unmarshal(data, &doc); err != nil {
		return nil, nil, err
	}
	if doc.Kind == 0 || len(doc.Content) == 0 || doc.Content[0].Kind != yaml.MappingNode {
		return nil, nil, errors.New("nothing is corrected")
	}
	values = map[string]*yaml.Node{}
	top := doc.Content[0]
	for i := 0; i+1 < len(top.Content); i += 2 {
		key, value := top.Content[i].Value, top.Content[i+1]
		if !slices.Contains(correctable, key) {
			return nil, nil, fmt.Errorf("%s is not set from a page: only %s are", key, strings.Join(correctable, ", "))
		}
		if key == "marks" {
			value = marksNode(got.Marks)
		}
		values[key] = plainNode(value)
		order = append(order, key)
	}
	return values, order, nil
}

// plainNode copies a value without comments, anchors and line breaks.
func plainNode(n *yaml.Node) *yaml.Node {
	if n == nil {
		return nil
	}
	out := &yaml.Node{Kind: n.Kind, Tag: n.Tag, Value: n.Value, Style: n.Style}
	if n.Kind == yaml.SequenceNode || n.Kind == yaml.MappingNode && n.Style != 0 {
		out.Style = yaml.FlowStyle
	}
	for _, c := range n.Content {
		out.Content = append(out.Content, plainNode(c))
	}
	return out
}

// ownSettings are the clip's settings files, the one to write to first: one that
// has marks, else one that is there, else the first possible.
func ownSettings(dir *os.Root, clip string) (own []ownFile, err error) {
	for _, name := range configs.ClipFiles(clip) {
		text, err := dir.ReadFile(name)
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err != nil {
			return nil, err
		}
		f := ownFile{name, text, map[string]*yaml.Node{}}
		if f.has("marks") {
			own = slices.Insert(own, 0, f)
		} else {
			own = append(own, f)
		}
	}
	if len(own) == 0 {
		own = []ownFile{{name: configs.ClipFiles(clip)[0], mine: map[string]*yaml.Node{}}}
	}
	return own, nil
}

// top is the mapping of a settings file; nil where it holds none.
func (f *ownFile) top() (doc *yaml.Node, top *yaml.Node, err error) {
	doc = &yaml.Node{}
	if err := yaml.Unmarshal(f.text, doc); err != nil {
		return nil, nil, err
	}
	if doc.Kind == 0 || len(doc.Content) == 0 || doc.Content[0].ShortTag() == "!!null" {
		doc = &yaml.Node{Kind: yaml.DocumentNode, Content: []*yaml.Node{{Kind: yaml.MappingNode}}}
	}
	if doc.Content[0].Kind != yaml.MappingNode {
		return nil, nil, errors.New("the file holds no settings")
	}
	return doc, doc.Content[0], nil
}

func (f *ownFile) has(key string) bool {
	_, top, err := f.top()
	if err != nil {
		return false
	}
	for i := 0; i+1 < len(top.Content); i += 2 {
		if top.Content[i].Value == key {
			return true
		}
	}
	return false
}

// with is the file's text with what is to be written in it.
func (f *ownFile) with(order []string) ([]byte, error) {
	doc, top, err := f.top()
	if err != nil {
		return nil, err
	}
	for _, key := range order {
		value, ok := f.mine[key]
		if !ok {
			continue
		}
		at := -1
		for i := 0; i+1 < len(top.Content); i += 2 {
			if top.Content[i].Value == key {
				at = i
			}
		}
		switch {
		case value == nil && at >= 0:
			top.Content = slices.Delete(top.Content, at, at+2)
		case value == nil:
		case at >= 0:
			value.LineComment, value.FootComment = top.Content[at+1].LineComment, top.Content[at+1].FootComment
			top.Content[at+1] = value
		default:
			top.Content = append(top.Content, &yaml.Node{Kind: yaml.ScalarNode, Value: key}, value)
		}
	}
	if len(top.Content) == 0 {
		return []byte("# no settings\n"), nil
	}
	var b bytes.Buffer
	enc := yaml.NewEncoder(&b)
	enc.SetIndent(2)
	if err := enc.Encode(doc); err != nil {
		return nil, err
	}
	return b.Bytes(), enc.Close()
}

// marksNode writes marks in the order of a swing; nil where there are none.
func marksNode(marks map[string][]float64) *yaml.Node {
	out := &yaml.Node{Kind: yaml.MappingNode}
	for _, name := range configs.EventNames {
		ts := marks[name]
		if len(ts) == 0 {
			continue
		}
		list := &yaml.Node{Kind: yaml.SequenceNode, Style: yaml.FlowStyle}
		for _, t := range ts {
			list.Content = append(list.Content, &yaml.Node{Kind: yaml.ScalarNode, Value: strconv.FormatFloat(t, 'f', -1, 64)})
		}
		out.Content = append(out.Content, &yaml.Node{Kind: yaml.ScalarNode, Value: name}, list)
	}
	if len(out.Content) == 0 {
		return nil
	}
	return out
}
