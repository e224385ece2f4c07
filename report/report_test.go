package report

import (
	"bytes"
	"compress/gzip"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"image/jpeg"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime"
	"strings"
	"testing"

	"github.com/santhosh-tekuri/jsonschema/v6"

	"cagebook/configs"
	"cagebook/phases"
	"cagebook/pipeline/video"
)

// schema compiles one of the published schemas; the library also checks it against the draft 2020-12 meta-schema.
func schema(t *testing.T, data []byte) *jsonschema.Schema {
	t.Helper()
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	if err := c.AddResource("s.json", doc); err != nil {
		t.Fatal(err)
	}
	s, err := c.Compile("s.json")
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func validate(s *jsonschema.Schema, data []byte) error {
	v, err := jsonschema.UnmarshalJSON(bytes.NewReader(data))
	if err != nil {
		return err
	}
	return s.Validate(v)
}

func marshal(t *testing.T, r *Report) []byte {
	t.Helper()
	b, err := r.Marshal()
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func TestWriteClip(t *testing.T) {
	r, out := Build(exInput(t)), files{}
	if err := WriteClip(out.put, r, exPicture); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{
		"report.json", "report.html", "track.json.gz", "swing-1/proof.jpg", "swing-1/handout.pdf", "swing-1/1-stance.jpg", "swing-1/2-load.jpg", "swing-1/3-foot-down.jpg",
		"swing-1/4-hands-start.jpg", "swing-1/5-contact.jpg", "swing-1/6-extension.jpg", "swing-1/7-finish.jpg",
	} {
		if len(out[name]) == 0 {
			t.Errorf("%s is missing", name)
		}
	}
	if err := validate(schema(t, ReportSchema), out["report.json"]); err != nil {
		t.Errorf("report.json: %v", err)
	}
	zr, err := gzip.NewReader(bytes.NewReader(out["track.json.gz"]))
	if err != nil {
		t.Fatal(err)
	}
	track, err := io.ReadAll(zr)
	if err != nil {
		t.Fatal(err)
	}
	if err := validate(schema(t, TrackSchema), track); err != nil {
		t.Errorf("track.json: %v", err)
	}
	for name, data := range out {
		if strings.HasSuffix(name, ".jpg") {
			img, err := jpeg.Decode(bytes.NewReader(data))
			if err != nil || img.Bounds().Dx() < 1080 {
				t.Errorf("%s: %v, want a picture of 1080 px or more", name, err)
			}
		}
	}
	back, err := Parse("report.json", out["report.json"])
	if err != nil {
		t.Fatal(err)
	}
	if got := marshal(t, back); !bytes.Equal(got, out["report.json"]) {
		t.Error("report.json does not survive being read and written again")
	}
}

func TestOddReports(t *testing.T) {
	s := schema(t, ReportSchema)
	nan, inf := math.NaN(), math.Inf(1)
	for _, c := range []struct {
		name   string
		change func(*Input)
	}{
		{"nothing known", func(in *Input) {
			*in = Input{Path: "x.mp4", Rules: in.Rules, Outcome: Outcome{NotVideo, "The file holds text, not video."}}
		}},
		{"measured but NaN or infinite or without sigma", func(in *Input) {
			sw := in.Swings[0].Swing
			sw.Measures = []phases.Measure{
				m("trunk_lean", "contact", nan, 1, "deg"), m("trunk_lean", "stance", 3, inf, "deg"), m("stance_width", "stance", 3, 0, "deg"),
				none("bat_speed", "contact", "m/s", ""),
			}
		}},
		{"no scale, view not known, an event without time", func(in *Input) {
			sw := in.Swings[0].Swing
			sw.Scale, sw.View = phases.Scale{}, phases.View{AzimuthDeg: nan, SigmaDeg: inf}
			sw.Events = []phases.Event{{Name: phases.Contact, TimeS: nan, SigmaS: 1, From: "keypoints"}}
		}},
		{"clip whose rate is not known", func(in *Input) { in.Info.CapturedFPS, in.Info.DurationS = nan, inf }},
	} {
		t.Run(c.name, func(t *testing.T) {
			in := exInput(t)
			c.change(&in)
			r, out := Build(in), files{}
			if err := WriteClip(out.put, r, nil); err != nil {
				t.Fatal(err)
			}
			if err := validate(s, out["report.json"]); err != nil {
				t.Error(err)
			}
			for _, sw := range r.Swings {
				for _, m := range sw.Measures {
					if m.Status == phases.Measured && !(m.Value.Known() && m.Sigma > 0) {
						t.Errorf("%s says measured with %v ± %v", m.Name, m.Value, m.Sigma)
					}
				}
			}
		})
	}
}

// The schema itself must be able to say no.
func TestSchemaRefuses(t *testing.T) {
	s, good := schema(t, ReportSchema), marshal(t, Build(exInput(t)))
	for _, c := range []struct{ name, old, new string }{
		{"value without status measured", `"status": "measured"`, `"status": "view"`},
		{"status that is no status", `"status": "no_bat"`, `"status": "unsure"`},
		{"outcome that is none", `"state": "done"`, `"state": "ok"`},
		{"done without a swing", `"swings": [`, `"swings": [], "x": [`},
		{"other schema version", `"schema": 1`, `"schema": 2`},
		{"practice named otherwise", `"source_kind": "practice"`, `"source_kind": "expert"`},
	} {
		bad := bytes.Replace(good, []byte(c.old), []byte(c.new), 1)
		if bytes.Equal(bad, good) {
			t.Fatalf("%s: %q is not in the report", c.name, c.old)
		}
		if validate(s, bad) == nil {
			t.Errorf("%s: accepted", c.name)
		}
	}
}

const nasty = "<script>alert(1)</script>\"'>\n\u202Egnp"

func TestPagesEscape(t *testing.T) {
	in := exInput(t)
	in.HitterID, in.Path = nasty, "a#b/javascript:x?"+nasty+".mp4"
	in.Swings[0].Swing.Notes = []string{nasty}
	in.Info.Warnings = []string{nasty}
	r, out := Build(in), files{}
	if err := WriteClip(out.put, r, nil); err != nil {
		t.Fatal(err)
	}
	if err := WriteBatch(out.put, []BatchRow{{"clips/" + in.Path, r}}); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"report.html", "index.html"} {
		page := strings.ReplaceAll(string(out[name]), "xmlns='http://www.w3.org/2000/svg'", "") // a name, not an address
		if strings.Contains(page, "<script>alert") {
			t.Errorf("%s holds the name's markup", name)
		}
		for _, far := range []string{"http://", "https://", "src=\"//", "@import", "url("} {
			if strings.Contains(page, far) {
				t.Errorf("%s reaches out: %s", name, far)
			}
		}
	}
	if want := `href="./clips/a%23b/javascript:x%3F%3Cscript%3E`; !strings.Contains(string(out["index.html"]), want) {
		t.Errorf("index.html does not hold the escaped link %s", want)
	}
}

// What would turn or hide a part of a name is shown as its number, wherever the name is shown.
func TestShownNames(t *testing.T) {
	for name, want := range map[string]string{
		"cage/ada-03.mov": "cage/ada-03.mov",
		"ren\u00e9 \u7530\u4e2d \u0633\u0644\u0627\u0645.mp4": "ren\u00e9 \u7530\u4e2d \u0633\u0644\u0627\u0645.mp4",
		"a\u202egpj.mp4":                 `a\u202egpj.mp4`,
		"a\u2066b\u2069\u200f":           `a\u2066b\u2069\u200f`,
		"a\u200bb\ufeff.mp4":             `a\u200bb\ufeff.mp4`,
		"a\nb\tc\x1b[31m\u0085":          `a\nb\tc\x1b[31m\x85`,
		"a\xff.mp4":                      `a\xff.mp4`,
		"a\ufffd.mp4":                    "a\ufffd.mp4",                    // the sign itself, which can be seen
		"\U0001F468\u200d\U0001F469.mp4": "\U0001F468\u200d\U0001F469.mp4", // joined: one picture
	} {
		if got := Shown(name); got != want {
			t.Errorf("%+q is shown as %+q, want %+q", name, got, want)
		}
	}
	const turned = "ada\u202e4pm.03"
	in := exInput(t)
	in.HitterID, in.Path = turned, turned+".mp4"
	done := Build(in)
	in.Swings, in.Path, in.Outcome = nil, turned+"/b.mp4", Outcome{BadSettings, turned + ".yaml:1: wrong."}
	bad, out := Build(in), files{}
	for _, r := range []*Report{done, bad} {
		if err := WriteClip(func(name string, data []byte) error { return out.put(r.Clip.Path+"/"+name, data) }, r, nil); err != nil {
			t.Fatal(err)
		}
	}
	if err := WriteBatch(out.put, []BatchRow{{"clips/a", done}, {"clips/b", bad}}); err != nil {
		t.Fatal(err)
	}
	seen := 0
	for name, data := range out {
		text := string(data)
		if !strings.HasSuffix(name, ".html") && name != "batch.csv" {
			continue
		}
		for _, attribute := range []string{"data-path", "data-hitter", "value", "download"} { // for programs, not shown
			text = regexp.MustCompile(attribute+`="[^"]*"`).ReplaceAllString(text, "")
		}
		text = regexp.MustCompile(`(?s)<script type="application/json">.*?</script>`).ReplaceAllString(text, "")
		if strings.Contains(text, "\u202e") {
			t.Errorf("%s shows the mark that turns a name: %+q", name, text[max(0, strings.Index(text, "\u202e")-60):][:80])
		}
		seen += strings.Count(text, `ada\u202e4pm`)
	}
	if seen < 10 {
		t.Errorf("the name was shown %d times", seen)
	}
}

// The short form of a report gives the same pages, and costs little.
func TestBrief(t *testing.T) {
	row := func(i int, change func(*Input)) BatchRow {
		in := exInput(t)
		in.Path = fmt.Sprintf("cage/%05d.mov", i)
		change(&in)
		r, err := Parse("", marshal(t, Build(in))) // as a run has it, its words not shared with any other
		if err != nil {
			t.Fatal(err)
		}
		return BatchRow{"clips/" + in.Path, r}
	}
	none := func(*Input) {}
	rows := []BatchRow{row(1, none), row(2, func(in *Input) { in.HitterID = "Zoë K." }), row(3, none), row(4, func(in *Input) {
		in.Swings, in.Outcome = nil, Outcome{Damaged, "Half of it is missing."}
		in.Info.Warnings = []string{"The file is damaged."}
	}), row(5, func(in *Input) {
		sw := in.Swings[0].Swing
		sw.Events[5].From, sw.Notes, in.Said.Reference = "mark", []string{"A note."}, "model.mp4"
	}), row(6, none)}
	said, full, brief := map[string]string{}, files{}, files{}
	for i := range rows {
		if i == 0 { // as those that have stills
			sw := &rows[i].Report.Swings[0]
			sw.Stills, sw.Handout = map[phases.EventName]string{phases.Contact: "swing-1/5-contact.jpg", phases.Load: "swing-1/2-load.jpg"}, "swing-1/handout.pdf"
		}
	}
	if err := WriteBatch(full.put, rows); err != nil {
		t.Fatal(err)
	}
	for i := range rows {
		rows[i].Report = rows[i].Report.Brief(said)
	}
	if err := WriteBatch(brief.put, rows); err != nil {
		t.Fatal(err)
	}
	if len(full) != len(brief) || len(full) < 6 {
		t.Errorf("%d files of briefs, %d of reports", len(brief), len(full))
	}
	for name, want := range full {
		if !bytes.Equal(brief[name], want) {
			t.Errorf("%s differs", name)
		}
	}

	const clips, limit = 2000, 16 << 10
	whole := Build(exInput(t))
	for sw := &whole.Swings[0]; len(sw.Measures) < 60; { // as many as a real swing has
		m := sw.Measures[len(sw.Measures)-10]
		m.Name += " again"
		sw.Measures = append(sw.Measures, m)
	}
	data := marshal(t, whole)
	kept := make([]*Report, 0, clips)
	before := heapBytes()
	for range clips {
		r, err := Parse("", data)
		if err != nil {
			t.Fatal(err)
		}
		kept = append(kept, r.Brief(said))
	}
	each := (heapBytes() - before) / clips
	t.Logf("%d bytes a clip of one swing, report.json has %d", each, len(data))
	runtime.KeepAlive(kept)
	if each > limit || each < 500 {
		t.Errorf("%d bytes a clip, want at most %d", each, limit)
	}
}

// heapBytes is what is in use.
func heapBytes() int {
	var m runtime.MemStats
	runtime.GC()
	runtime.GC() // what the first one freed late
	runtime.ReadMemStats(&m)
	return int(m.HeapAlloc)
}

func TestBatch(t *testing.T) {
	in := exInput(t)
	swing := Build(in)
	in.Swings, in.Path, in.HitterID = nil, "=cmd|x.mp4", "@ada"
	in.Outcome = Outcome{NotVideo, "-The file holds text, not video."}
	bad := Build(in)
	in.Outcome, in.Path = Outcome{NoSwing, "Hands apart: a throw."}, "throw.mp4"
	none := Build(in)
	in.Info, in.Outcome, in.Path = video.Info{}, Outcome{NotVideo, "Text."}, "text.mp4"
	text := Build(in)
	out := files{}
	if err := WriteBatch(out.put, []BatchRow{{"clips/a", swing}, {"clips/b", bad}, {"clips/c", none}, {"clips/d", text}}); err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(bytes.NewReader(bytes.TrimPrefix(out["batch.csv"], []byte("\ufeff")))).ReadAll() // refuses rows of unequal length
	if err != nil {
		t.Fatal(err)
	}
	if len(rows) != 5 {
		t.Fatalf("%d rows, want a head, one swing and three clips without", len(rows))
	}
	get := func(row int, col string) string {
		for i, h := range rows[0] {
			if h == col {
				return rows[row][i]
			}
		}
		t.Fatalf("no column %q", col)
		return ""
	}
	for _, c := range []struct {
		row       int
		col, want string
	}{
		{1, "lead_knee_flexion contact", "14.2"},
		{1, "lead_knee_flexion contact sigma", "3.9"},
		{1, "lead_knee_flexion contact unit", "deg"},
		{1, "bat_speed contact", ""}, // not measured is not 0
		{1, "swing", "1"},
		{1, "contact_s", "0.992"}, // ± 0.008: two digits of it, and zeros left off
		{2, "clip", "'=cmd|x.mp4"},
		{2, "hitter", "'@ada"},
		{2, "reason", "'-The file holds text, not video."},
		{3, "state", "no_swing"},
		{3, "captured_fps", "120"},
		{4, "captured_fps", ""}, // it was never opened
	} {
		if got := get(c.row, c.col); got != c.want {
			t.Errorf("row %d, %s: %q, want %q", c.row, c.col, got, c.want)
		}
	}
	s := schema(t, BatchSchema)
	if err := validate(s, out["batch.json"]); err != nil {
		t.Errorf("batch.json: %v", err)
	}
	if validate(s, bytes.Replace(out["batch.json"], []byte(`"no_swing": 1`), []byte(`"no_swing": "one"`), 1)) == nil {
		t.Error("the schema takes a word for a count")
	}
	var b struct{ Counts Counts }
	if err := json.Unmarshal(out["batch.json"], &b); err != nil {
		t.Fatal(err)
	}
	if want := (Counts{Clips: 4, Swings: 1, NoSwing: 1, NotProcessed: 2}); b.Counts != want {
		t.Errorf("counts %+v, want %+v", b.Counts, want)
	}
}

func TestNum(t *testing.T) {
	for _, c := range []struct {
		in   float64
		want string
	}{
		{math.NaN(), "null"}, {math.Inf(-1), "null"}, {math.Copysign(0, -1), "0"}, {1.0 / 3, "0.333333"}, {-1e-9, "0"}, {1e300, "1" + strings.Repeat("0", 300)},
	} {
		b, err := json.Marshal(Num(c.in))
		if err != nil || len(c.want) < 20 && string(b) != c.want || !json.Valid(b) {
			t.Errorf("%v: %s, %v; want %s", c.in, b, err, c.want)
		}
	}
}

func TestWords(t *testing.T) {
	tall := Hitter{HeightM: 1.5}
	for _, c := range []struct{ name, got, want string }{
		{"height known", PlainValue(0.2, "body_heights", tall), "30 cm"},
		{"height not known", PlainValue(0.2, "body_heights", Hitter{}), "20 % of your height"},
		{"no minus zero", PlainValue(-0.2, "deg", tall), "0°"},
		{"minus", PlainValue(-7, "deg", tall), "−7°"},
		{"unit once", PlainPM(0.2, 0.02, "body_heights", tall), "30 ± 3 cm"},
		{"decimals follow the uncertainty", ValuePM(14.236, 0.39, "deg"), "14.2° ± 0.4°"},
		{"large uncertainty", ValuePM(192.3, 14, "ms"), "192 ± 14 ms"},
		{"no value", ValuePM(Num(math.NaN()), 1, "deg"), "—"},
		{"interval", EventWords("foot_down_to_contact"), "Foot down to contact"},
		{"a measure without a name of its own", MeasureWords("new_thing"), "New thing"},
	} {
		if c.got != c.want {
			t.Errorf("%s: %q, want %q", c.name, c.got, c.want)
		}
	}
}

// A browser must show the pages without a horizontal scroll bar on a phone and without a script error.
func TestPagesInBrowser(t *testing.T) {
	browser, err := exec.LookPath("chromium")
	if err != nil {
		t.Skip("chromium is not installed")
	}
	if testing.Short() {
		t.Skip("a browser takes seconds")
	}
	dir := t.TempDir()
	put := func(name string, data []byte) error {
		p := filepath.Join(dir, name)
		if err := os.MkdirAll(filepath.Dir(p), 0o755); err != nil {
			return err
		}
		return os.WriteFile(p, data, 0o644)
	}
	in := exInput(t)
	in.Path, in.InBatch = "a b#1.mov", true
	r := Build(in)
	if up := "./../../"; r.Index() != up+"index.html" || r.HitterPage() != up+"hitters/ada/index.html" {
		t.Errorf("from clips/a b#1.mov the pages above are %q and %q", r.Index(), r.HitterPage())
	}
	if err := WriteClip(func(n string, d []byte) error { return put("clips/a b#1.mov/"+n, d) }, r, exPicture); err != nil {
		t.Fatal(err)
	}
	if err := WriteBatch(put, []BatchRow{{"clips/a b#1.mov", r}}); err != nil {
		t.Fatal(err)
	}
	const probe = `<title>none</title><body><iframe id="f" style="width:390px;height:20000px" src="PAGE"></iframe><script>
onload=function(){var d=document.getElementById("f").contentDocument,imgs=[].slice.call(d.images);
imgs.forEach(function(i){i.loading="eager"});
setTimeout(function(){
document.title="result wide="+(d.documentElement.scrollWidth>390)+" broken="+imgs.filter(function(i){return !i.complete||!i.naturalWidth}).length+" images="+imgs.length+" noalt="+imgs.filter(function(i){return !i.alt}).length},3000)}</script>`
	for _, page := range []struct{ name, want string }{
		{"./clips/a%20b%231.mov/report.html", "images=12"}, // proof sheet, 3 to keep, 1 to work on, 7 key frames
		{"index.html", "images=1 "},
	} {
		if err := put("probe.html", []byte(strings.Replace(probe, "PAGE", page.name, 1))); err != nil {
			t.Fatal(err)
		}
		cmd := exec.Command(browser, "--headless", "--no-sandbox", "--disable-gpu", "--allow-file-access-from-files", "--user-data-dir="+t.TempDir(),
			"--virtual-time-budget=6000", "--dump-dom", "file://"+dir+"/probe.html")
		out, err := cmd.Output()
		if err != nil {
			t.Skipf("chromium does not run here: %v", err)
		}
		dom := string(out)
		if !strings.Contains(dom, "result wide=false broken=0 "+page.want) || !strings.Contains(dom, "noalt=0") {
			i := strings.Index(dom, "<title>")
			t.Errorf("%s: %.120s", page.name, dom[max(0, i):])
		}
	}
}

// What a coach does on the pages: sorts the morning's swings, finds a hitter, compares
// two, says who the hitter is and how tall, and prints.
func TestClicksInBrowser(t *testing.T) {
	b := openBrowser(t)
	dir := t.TempDir()
	out := files{}
	var rows []BatchRow
	for i, c := range []struct {
		path, hitter string
		slide, speed float64
	}{
		{"a/<img src=x onerror=alert(1)>.mov", "ada", 0.02, 20},
		{"b/b.mov", "ben 'O", 0.30, 30},
		{"c/c.mov", "cleo", 0.12, 30.4},
	} {
		in := exInput(t)
		in.Path, in.HitterID = c.path, c.hitter
		for k := range in.Swings[0].Swing.Measures {
			switch ms := &in.Swings[0].Swing.Measures[k]; ms.Name {
			case "foot_slide":
				ms.Value = c.slide
			case "bat_speed":
				*ms = m("bat_speed", "contact", c.speed, 1, "m/s")
			}
		}
		r := Build(in)
		if i == 1 {
			r.Swings[0].People = &People{Picture: "swing-1/people.jpg", TimeS: 0.99, Of: []Somebody{{1, 0.25, 0.5, false}, {2, 0.75, 0.625, true}}}
			page, err := r.HTML()
			if err != nil {
				t.Fatal(err)
			}
			out["clips/"+c.path+"/report.html"] = page
		}
		rows = append(rows, BatchRow{"clips/" + c.path, r})
	}
	if err := WriteBatch(out.put, rows); err != nil {
		t.Fatal(err)
	}
	writeAll(t, dir, out)

	b.open(filepath.Join(dir, "index.html"), 390)
	shown := "[].slice.call(document.querySelectorAll('#rows li')).filter(function(r){return !r.hidden}).map(function(r){return r.getAttribute('data-hitter')}).join()"
	b.wait(shown, "ada,ben 'O,cleo")
	b.eval("var o=document.getElementById('order');o.value='work';o.onchange()")
	b.wait(shown, "ben 'O,cleo,ada") // by how far the foot slides: 0.30, 0.12 and 0.02 with a limit of 0.075
	b.eval("var f=document.getElementById('find');f.value='CLE';f.oninput()")
	b.wait(shown, "cleo")
	b.wait("document.getElementById('shown').textContent", "1 of 3 swings shown")

	b.open(filepath.Join(dir, "scout.html"), 390)
	gap := "document.querySelector('#gap li').textContent"
	b.wait(gap, "Bat speed: cleo has more, by 10.4 m/s ± 1.4 m/s")
	b.eval("var o=document.getElementById('one');o.value='1';o.onchange()")
	b.wait(gap, "Bat speed: no difference that this video can tell from chance (0.4 m/s ± 1.4 m/s)")

	b.open(filepath.Join(dir, "clips/b/b.mov/report.html"), 390)
	b.eval("document.querySelectorAll('[data-at]')[0].click()")
	b.eval("var h=document.querySelector('[data-key=height_m]');h.value='1,48';h.oninput();var s=document.querySelector('[data-key=bats]');s.value='L';s.onchange()")
	text := b.eval("document.querySelector('.facts pre').textContent")
	if want := "height_m: 1.48\nbats: L\nhitter_at: {time_s: 0.990, x: 0.250, y: 0.500}\n"; text != want {
		t.Errorf("the page writes\n%s\nwant\n%s", text, want)
	}
	if s, ps := configs.ParseSidecar("page", []byte(text)); len(ps) > 0 || s.HeightM != 1.48 || s.Bats != "L" || s.HitterAt == nil || s.HitterAt.X != 0.25 {
		t.Errorf("what the page writes is read as %+v, %v", s, ps)
	}
	// On paper what was seen is unfolded; afterwards the page is as before.
	open := "document.querySelectorAll('details[open]').length"
	was := b.eval(open)
	b.eval("dispatchEvent(new Event('beforeprint'))")
	if during := b.eval(open); during == was {
		t.Error("nothing is unfolded for print")
	}
	b.eval("dispatchEvent(new Event('afterprint'))")
	if after := b.eval(open); after != was {
		t.Errorf("%s parts are open after printing, %s before", after, was)
	}
	for _, f := range b.faults {
		if !strings.Contains(f, "ERR_FILE_NOT_FOUND") { // pictures were not written here
			t.Error(f)
		}
	}
}
