package pipeline

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strconv"

	"gopkg.in/yaml.v3"

	"cagebook/configs"
)

// ErrMarks says that marks cannot be saved as they are.
var ErrMarks = errors.New("marks cannot be saved")

// SaveMarks writes a person's marks into the settings file beside a clip, which
// is made where there is none; everything else in the file stays, comments too.
// data holds lines as the report page writes them; rel is the clip below root.
// It returns the name of the file below root.
func SaveMarks(root, rel string, data []byte) (file string, err error) {
	local := filepath.FromSlash(rel)
	if !filepath.IsLocal(local) {
		return "", fmt.Errorf("%w: %q is no clip of this folder", ErrMarks, rel)
	}
	got, ps := configs.ParseSidecar("marks", data)
	if len(ps) > 0 {
		return "", fmt.Errorf("%w: %w", ErrMarks, ps)
	}
	marks := got.Marks
	if got.Marks = nil; !reflect.DeepEqual(got, configs.Sidecar{}) {
		return "", fmt.Errorf("%w: only marks are taken, no other settings", ErrMarks)
	}
	dir, err := os.OpenRoot(root) // no link leads out of it
	if err != nil {
		return "", err
	}
	defer dir.Close()
	if info, err := dir.Stat(local); err != nil || !info.Mode().IsRegular() {
		return "", fmt.Errorf("%w: the clip %s is not in the folder of clips", ErrMarks, rel)
	}
	file, old, err := ownSettings(dir, local)
	if err != nil {
		return "", err
	}
	text, err := withMarks(old, marks)
	if err != nil {
		return "", fmt.Errorf("%w: %s: %w", ErrMarks, file, err)
	}
	if _, ps := configs.ParseSidecar(file, text); len(ps) > 0 {
		return "", fmt.Errorf("%w: %w", ErrMarks, ps)
	}
	real, err := filepath.EvalSymlinks(filepath.Join(root, filepath.Dir(file)))
	if err != nil {
		return "", err
	}
	return filepath.ToSlash(file), writeAtomic(osDisk{}, filepath.Join(real, filepath.Base(file)), text)
}

// ownSettings is the clip's settings file: one that has marks, else one that is there, else the first possible.
func ownSettings(dir *os.Root, clip string) (file string, data []byte, err error) {
	for _, f := range configs.ClipFiles(clip) {
		b, err := dir.ReadFile(f)
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err != nil {
			return "", nil, err
		}
		s, _ := configs.ParseSidecar(f, b)
		if file == "" || s.Marks != nil {
			file, data = f, b
		}
	}
	if file == "" {
		file = configs.ClipFiles(clip)[0]
	}
	return file, data, nil
}

// withMarks puts marks into the text of a settings file.
func withMarks(text []byte, marks map[string][]float64) ([]byte, error) {
	var doc yaml.Node
	if err := yaml.Unmarshal(text, &doc); err != nil {
		return nil, err
	}
	if doc.Kind == 0 || len(doc.Content) == 0 || doc.Content[0].ShortTag() == "!!null" {
		doc = yaml.Node{Kind: yaml.DocumentNode, Content: []*yaml.Node{{Kind: yaml.MappingNode}}}
	}
	top := doc.Content[0]
	if top.Kind != yaml.MappingNode {
		return nil, errors.New("the file holds no settings")
	}
	value := marksNode(marks)
	for i := 0; i+1 < len(top.Content); i += 2 {
		if top.Content[i].Value == "marks" {
			top.Content = slices.Delete(top.Content, i, i+2)
			break
		}
	}
	if len(marks) > 0 {
		top.Content = append(top.Content, &yaml.Node{Kind: yaml.ScalarNode, Value: "marks"}, value)
	}
	if len(top.Content) == 0 {
		return []byte("# no settings\n"), nil
	}
	var b bytes.Buffer
	enc := yaml.NewEncoder(&b)
	enc.SetIndent(2)
	if err := enc.Encode(&doc); err != nil {
		return nil, err
	}
	return b.Bytes(), enc.Close()
}

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
	return out
}
