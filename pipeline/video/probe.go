package video

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"time"
)

// Probe is what the container says of a clip, before a frame is decoded.
type Probe struct {
	Recorded    string // day of filming, 2026-05-01; "" = not stated
	Format      string // ffprobe's format_name
	Codec       string
	CodecTag    string // four characters of the container, e.g. avc1, encv
	StreamIndex int    // of the video stream in the file
	FirstVideo  bool   // the stream is the first video stream of the file, the one that OpenCV opens

	StoredWidth  int // px as stored
	StoredHeight int // px as stored
	Rotation     int // degrees clockwise to stand upright: 0, 90, 180, 270
	Mirrored     bool
	PixelAspect  float64 // width of a stored pixel / its height

	PixelFormat   string
	ColorSpace    string // matrix: bt709, smpte170m, bt2020nc, … or ""
	ColorTransfer string
	FullRange     bool

	TimeBaseS   float64   // seconds a tick
	StartS      float64   // container's start time of the stream, file clock; NaN = not stated
	PTSS        []float64 // presentation times of the packets that are shown, in display order, file clock
	MissingPTS  int       // packets without a time
	Packets     int       // of the video stream, including those an edit list hides
	Declared    int       // frames that the header declares; 0 = not stated
	EndBytes    int64     // where in the file the last packet of any stream ends; 0 = not stated
	DeclaredS   float64   // seconds that the header declares; 0 = not stated
	AverageFPS  float64   // avg_frame_rate; 0 = not stated
	CaptureFPS  float64   // capture rate from metadata; 0 = not stated
	CaptureFrom string    // the metadata key
	Lens35MM    float64   // focal length, mm, 35 mm equivalent; 0 = not stated

	HasAudio    bool
	AudioRateHz int

	Messages string   // what ffprobe complained of; a sign of damage
	Notes    []string // sentences for the report
}

// demuxers are the containers that are read. Playlists (hls, concat, dash),
// which may point to other files, and text formats are not among them.
const demuxers = "mov,matroska,avi,mpegts,mpeg,mpegvideo,m4v,h264,hevc,mjpeg,flv,asf,ogg,ivf,obu,av1,nut,mxf,dv,wav,mp3,aac,flac,caf"

var safeInput = []string{"-protocol_whitelist", "file,pipe", "-format_whitelist", demuxers}

// Probed is what ffprobe said of a clip, so that it is asked once however often the clip is opened. The zero value knows
// nothing yet; nil asks each time. Errors are not remembered.
type Probed struct {
	mu    sync.Mutex
	path  string
	probe *Probe
}

// Read is ReadProbe. What it gives must not be changed.
func (k *Probed) Read(ctx context.Context, path string) (*Probe, error) {
	if k == nil {
		return ReadProbe(ctx, path)
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.probe != nil && k.path == path {
		return k.probe, nil
	}
	p, err := ReadProbe(ctx, path)
	if err == nil {
		k.path, k.probe = path, p
	}
	return p, err
}

// ReadProbe reads the file with ffprobe: streams, rotation, pixel aspect, colour,
// the time of every packet. Nothing is decoded beyond the first frames. Errors
// are of type *Error, or the context's.
//
// Where reading fails, ffprobe ends its list of packets without a word. So a file that does not say how many pictures it
// holds, and goes on behind its last packet, is read to its end and probed once more: what ends there by its nature ends there again.
func ReadProbe(ctx context.Context, path string) (*Probe, error) {
	p, bytes, err := readProbe(ctx, path)
	if err != nil || p.Declared > 0 || p.EndBytes == 0 || bytes-p.EndBytes <= maxTail(bytes) {
		return p, err
	}
	if err := readThrough(ctx, path); err != nil {
		return nil, err
	}
	again, _, err := readProbe(ctx, path)
	if err == nil && (again.Packets != p.Packets || again.EndBytes != p.EndBytes) {
		err = &Error{
			Path: path, Kind: syscall.EIO, Msg: fmt.Sprintf("reading broke off, at %d pictures and then at %d", p.Packets, again.Packets),
			Hint: diskHint,
		}
	}
	return again, err
}

// maxTail is how many bytes of a file may lie behind its last packet before that is odd: an index (Matroska's cues: some 20 bytes for each
// whole picture), and what a transport stream has around its packets (4 bytes in 188, and tables).
func maxTail(bytes int64) int64 { return 16<<10 + bytes/1000 }

// readProbe also tells how long the file is.
func readProbe(ctx context.Context, path string) (*Probe, int64, error) {
	st, err := os.Stat(path)
	switch {
	case err != nil:
		return nil, 0, &Error{Path: path, Kind: ErrNotVideo, Msg: "the file cannot be read", Hint: "check that it exists and may be read", Err: err}
	case !st.Mode().IsRegular():
		return nil, 0, &Error{Path: path, Kind: ErrNotVideo, Msg: "this is not a regular file", Hint: "name a video file"}
	case st.Size() == 0:
		return nil, 0, &Error{Path: path, Kind: ErrNotVideo, Msg: "the file is empty (0 bytes)", Hint: "copy the clip from the phone again"}
	}
	out := &boundedBuffer{max: maxProbeBytes, strict: true}
	messages := &boundedBuffer{max: maxMessageBytes}
	args := append(slices.Clone(safeInput), "-v", "error", "-of", "json=compact=1",
		"-show_entries", "stream:stream_tags:stream_disposition:stream_side_data:format:format_tags:packet=stream_index,pts,flags,pos,size:packet_side_data=side_data_type",
		"-i", SafePath(path))
	err = runTool(ctx, probeDeadline, path, "ffprobe", args, out, messages)
	var fault *Error
	switch {
	case errors.As(err, &fault) || ctx.Err() != nil:
		return nil, 0, err
	case errors.Is(err, errOutputTooLong):
		return nil, 0, &Error{Path: path, Kind: ErrTooLarge, Msg: "the clip has too many frames", Hint: "cut it into shorter clips"}
	case err != nil && out.Len() < 8:
		return nil, 0, unreadable(ctx, path, messages.String())
	}
	p, err := ParseProbe(out.Bytes())
	if err != nil {
		var e *Error
		if errors.As(err, &e) {
			e.Path = path
			if m := messages.String(); e.Err == nil && m != "" {
				e.Err = errors.New(lastMessage(m, path))
			}
			return nil, 0, e
		}
		return nil, 0, unreadable(ctx, path, messages.String())
	}
	p.Messages = videoMessages(messages.String())
	if p.Lens35MM == 0 && strings.Contains(p.Format, "mov") {
		p.Lens35MM = trackLens(path)
	}
	return p, st.Size(), nil
}

// unreadable is for a file of which ffprobe says nothing that can be read.
func unreadable(ctx context.Context, path, messages string) error {
	if err := checkTool(ctx, path, "ffprobe"); err != nil {
		return err
	}
	e := &Error{
		Path: path, Kind: ErrNotVideo, Msg: "no video can be read in it",
		Hint: "check that it plays on the phone, then copy it again; other kinds of files can be left out of the folder",
	}
	if messages != "" {
		e.Err = errors.New(lastMessage(messages, path))
	}
	return e
}

// videoMessages drops complaints about sound.
func videoMessages(s string) string {
	var keep []string
	for _, line := range strings.Split(s, "\n") {
		line = strings.TrimSpace(line)
		if line == "" || strings.HasPrefix(line, "[aac") || strings.HasPrefix(line, "[mp3") || strings.HasPrefix(line, "[opus") {
			continue
		}
		keep = append(keep, line)
	}
	return strings.Join(keep, "\n")
}

type probeJSON struct {
	Packets []struct {
		Stream int    `json:"stream_index"`
		PTS    *int64 `json:"pts"`
		Flags  string `json:"flags"`
		Pos    string `json:"pos"`
		Size   string `json:"size"`
		Side   []struct {
			Type string `json:"side_data_type"`
		} `json:"side_data_list"`
	} `json:"packets"`
	Streams []streamJSON `json:"streams"`
	Format  struct {
		Name string            `json:"format_name"`
		Tags map[string]string `json:"tags"`
	} `json:"format"`
}

type streamJSON struct {
	Index       int               `json:"index"`
	Type        string            `json:"codec_type"`
	Codec       string            `json:"codec_name"`
	Tag         string            `json:"codec_tag_string"`
	Width       int               `json:"width"`
	Height      int               `json:"height"`
	PixelFormat string            `json:"pix_fmt"`
	Aspect      string            `json:"sample_aspect_ratio"`
	Range       string            `json:"color_range"`
	Space       string            `json:"color_space"`
	Transfer    string            `json:"color_transfer"`
	TimeBase    string            `json:"time_base"`
	StartPTS    *int64            `json:"start_pts"`
	Duration    string            `json:"duration"`
	Average     string            `json:"avg_frame_rate"`
	Frames      string            `json:"nb_frames"`
	SampleRate  string            `json:"sample_rate"`
	Disposition map[string]int    `json:"disposition"`
	Tags        map[string]string `json:"tags"`
	SideData    []struct {
		Type     string   `json:"side_data_type"`
		Matrix   string   `json:"displaymatrix"`
		Rotation *float64 `json:"rotation"`
	} `json:"side_data_list"`
}

// ParseProbe reads ffprobe's JSON (sections packets, streams, format). Faults
// of the file are of type *Error with an empty Path; anything else is JSON
// that cannot be read.
func ParseProbe(data []byte) (*Probe, error) {
	var j probeJSON
	dec := json.NewDecoder(bytes.NewReader(data))
	if err := dec.Decode(&j); err != nil {
		return nil, fmt.Errorf("ffprobe output: %w", err)
	}
	p := &Probe{Format: j.Format.Name, PixelAspect: 1, StreamIndex: -1}
	v := pickStream(&j, p)
	if v == nil {
		return nil, noVideo(&j, p)
	}
	if err := p.readStream(v); err != nil {
		return nil, err
	}
	p.readGeometry(v)
	p.readCapture(v.Tags, j.Format.Tags)
	p.Recorded = recorded(v.Tags, j.Format.Tags)
	if p.Lens35MM = focal35(v.Tags[lensKey]); p.Lens35MM == 0 {
		p.Lens35MM = focal35(j.Format.Tags[lensKey])
	}
	var pts []int64
	for _, k := range j.Packets {
		pos, err := strconv.ParseInt(k.Pos, 10, 64)
		size, _ := strconv.ParseInt(k.Size, 10, 64)
		if err == nil {
			p.EndBytes = max(p.EndBytes, pos+size)
		}
		if k.Stream != v.Index {
			continue
		}
		p.Packets++
		for _, d := range k.Side {
			if d.Type == "Encryption info" {
				return nil, errEncrypted()
			}
		}
		switch {
		case strings.Contains(k.Flags, "D"): // before the start of an edit list
		case k.PTS == nil:
			p.MissingPTS++
		default:
			pts = append(pts, *k.PTS)
		}
	}
	// Packets come in decode order; a frame is shown in the order of its time.
	slices.Sort(pts)
	p.PTSS = make([]float64, len(pts))
	for i, t := range pts {
		p.PTSS[i] = float64(t) * p.TimeBaseS
	}
	return p, nil
}

// pickStream chooses the video stream (the largest that is no cover picture)
// and notes the sound.
func pickStream(j *probeJSON, p *Probe) *streamJSON {
	var best *streamJSON
	first := -1
	for i := range j.Streams {
		s := &j.Streams[i]
		switch {
		case s.Type == "audio" && !p.HasAudio:
			p.HasAudio = true
			p.AudioRateHz, _ = strconv.Atoi(s.SampleRate)
		case s.Type == "video":
			if first < 0 {
				first = s.Index
			}
			if s.Disposition["attached_pic"] == 1 || s.Disposition["still_image"] == 1 {
				continue
			}
			if best == nil || s.Width*s.Height > best.Width*best.Height {
				best = s
			}
		}
	}
	if best != nil {
		p.StreamIndex, p.FirstVideo = best.Index, best.Index == first
	}
	return best
}

func noVideo(j *probeJSON, p *Probe) *Error {
	switch {
	case p.HasAudio:
		return &Error{Kind: ErrNotVideo, Msg: "the file holds sound but no moving pictures", Hint: "leave it out of the folder"}
	case len(j.Streams) == 0:
		return &Error{
			Kind: ErrNotVideo, Msg: "the file holds no pictures (only the beginning of a video arrived)",
			Hint: "copy the clip from the phone again",
		}
	}
	return &Error{Kind: ErrNotVideo, Msg: "the file holds no moving pictures", Hint: "leave it out of the folder"}
}

func (p *Probe) readStream(v *streamJSON) error {
	if v.Codec == "" || v.Codec == "unknown" || v.Codec == "none" {
		return &Error{
			Kind: ErrDamaged, Msg: fmt.Sprintf("its video codec (%s) is not one that this ffmpeg can decode", strings.TrimSpace(v.Tag)),
			Hint: "on the phone choose \"most compatible\" (H.264), or convert the clip to H.264",
		}
	}
	if v.Tag == "encv" {
		return errEncrypted()
	}
	if v.Width <= 0 || v.Height <= 0 {
		return &Error{Kind: ErrDamaged, Msg: "the pictures have no size", Hint: "copy the clip from the phone again"}
	}
	if v.Width > maxSide || v.Height > maxSide {
		return &Error{
			Kind: ErrTooLarge, Msg: fmt.Sprintf("pictures of %d × %d px are too large", v.Width, v.Height),
			Hint: "film at 1080p or 4K, or scale the clip down",
		}
	}
	p.Codec, p.CodecTag = v.Codec, v.Tag
	p.StoredWidth, p.StoredHeight = v.Width, v.Height
	p.PixelFormat, p.ColorSpace, p.ColorTransfer = v.PixelFormat, v.Space, v.Transfer
	p.FullRange = v.Range == "pc"
	p.TimeBaseS = ratio(v.TimeBase, "/")
	if p.TimeBaseS <= 0 || p.TimeBaseS > 10 {
		p.TimeBaseS = 0
	}
	p.StartS = math.NaN()
	if v.StartPTS != nil {
		p.StartS = float64(*v.StartPTS) * p.TimeBaseS
	}
	if v.Transfer == "smpte2084" || v.Transfer == "arib-std-b67" {
		p.Notes = append(p.Notes, "The clip is HDR: stills look flatter than on the phone; measures are not affected.")
	}
	p.Declared, _ = strconv.Atoi(v.Frames)
	p.Declared = max(p.Declared, 0)
	if d, err := strconv.ParseFloat(v.Duration, 64); err == nil && d > 0 && !math.IsInf(d, 0) {
		p.DeclaredS = d
	}
	p.AverageFPS = ratio(v.Average, "/")
	return nil
}

func errEncrypted() *Error {
	return &Error{Kind: ErrDamaged, Msg: "the video is encrypted", Hint: "export an unprotected copy from the app that made it"}
}

// maxSide keeps areas far from overflow; no limit that a caller sets reaches it.
const maxSide = 1 << 20

// ratio reads "a/b" or "a:b"; 0 where that is no positive finite number.
func ratio(s, sep string) float64 {
	a, b, ok := strings.Cut(s, sep)
	if !ok {
		return 0
	}
	x, err1 := strconv.ParseFloat(a, 64)
	y, err2 := strconv.ParseFloat(b, 64)
	if err1 != nil || err2 != nil || y == 0 {
		return 0
	}
	if r := x / y; r > 0 && !math.IsInf(r, 0) {
		return r
	}
	return 0
}

// maxPixelAspect: real recordings lie between 0.7 and 2 (anamorphic); more is a
// broken header.
const maxPixelAspect = 4

func (p *Probe) readGeometry(v *streamJSON) {
	if r := ratio(v.Aspect, ":"); r >= 1.0/maxPixelAspect && r <= maxPixelAspect {
		p.PixelAspect = r
	} else if r != 0 {
		p.Notes = append(p.Notes, fmt.Sprintf("The file states a pixel shape of %s, which cannot be; pixels are taken as square.", v.Aspect))
	}
	angle, found := 0.0, false
	for _, s := range v.SideData {
		if s.Matrix != "" {
			if a, mirrored, ok := matrixAngle(s.Matrix); ok {
				angle, p.Mirrored, found = a, mirrored, true
				break
			}
		}
		if s.Rotation != nil {
			angle, found = -*s.Rotation, true // ffprobe counts counter-clockwise
		}
	}
	if !found {
		if a, err := strconv.ParseFloat(v.Tags["rotate"], 64); err == nil {
			angle = a
		}
	}
	if math.IsNaN(angle) || math.Abs(angle) > 1e6 {
		angle = 0
	}
	quarter := math.Round(angle / 90)
	p.Rotation = ((int(quarter)%4 + 4) % 4) * 90
	if math.Abs(angle-quarter*90) > 1 {
		p.Notes = append(p.Notes, fmt.Sprintf("The file asks for a turn of %.0f°; it was rounded to %d°.", angle, p.Rotation))
	}
	if p.Mirrored {
		p.Notes = append(p.Notes, "The file asks to be shown mirrored (front camera), and it is: right and left may be swapped.")
	}
}

// matrixAngle reads ffprobe's dump of a display matrix (three numbered lines of
// three fixed-point numbers; row vectors, y down, ISO/IEC 14496-12 section
// 8.5.3): degrees clockwise, and whether it mirrors left and right after the turn.
func matrixAngle(dump string) (clockwise float64, mirrored, ok bool) {
	var n []float64
	for _, line := range strings.Split(strings.TrimSpace(dump), "\n") {
		_, row, found := strings.Cut(line, ":")
		if !found {
			return 0, false, false
		}
		for _, f := range strings.Fields(row) {
			x, err := strconv.ParseInt(f, 10, 64)
			if err != nil {
				return 0, false, false
			}
			n = append(n, float64(x))
		}
	}
	if len(n) != 9 {
		return 0, false, false
	}
	a, b, c, d := n[0], n[1], n[3], n[4]
	det := a*d - b*c
	if det == 0 {
		return 0, false, false
	}
	if det < 0 {
		a = -a // undo the mirror: x of every image point is negated
	}
	return math.Atan2(b, a) * 180 / math.Pi, det < 0, true
}

// captureKeys are metadata keys that state the rate at which a sensor ran.
// Android's MediaRecorder writes this one (AOSP, MediaRecorder.setCaptureRate).
// Apple's slow-motion files need none: their clock is that of real motion.
var captureKeys = []string{"com.android.capture.fps"}

func (p *Probe) readCapture(maps ...map[string]string) {
	for _, key := range captureKeys {
		for _, m := range maps {
			if x, err := strconv.ParseFloat(strings.TrimSpace(m[key]), 64); err == nil && x >= 1 && x <= 10000 {
				p.CaptureFPS, p.CaptureFrom = x, key
				return
			}
		}
	}
}

// Suspicion says why the clip should be decoded through a clean copy at once
// instead of directly; "" if nothing speaks against direct decoding.
func (p *Probe) Suspicion() string {
	switch {
	case p.Messages != "":
		return "the file has faults"
	case p.MissingPTS > 0 || len(p.PTSS) == 0:
		return "frames without times"
	case p.Declared > p.Packets:
		return "frames are missing"
	case !p.FirstVideo:
		return "the clip is not the first picture stream"
	case p.TimeBaseS == 0:
		return "the file has no time base"
	}
	for i := 1; i < len(p.PTSS); i++ {
		if p.PTSS[i] <= p.PTSS[i-1] {
			return "repeated times"
		}
	}
	return ""
}

// recorded is the day of filming as the file states it: the phone's local time
// where there is one, else the container's in UTC. Cameras without a set clock
// write a day near the start of their time scale; it is not taken.
func recorded(tags ...map[string]string) string {
	for _, key := range []string{"com.apple.quicktime.creationdate", "creation_time"} {
		for _, t := range tags {
			day, _, _ := strings.Cut(t[key], "T")
			if d, err := time.Parse(time.DateOnly, day); err == nil && d.Year() >= 1995 && d.Year() < 2200 {
				return day
			}
		}
	}
	return ""
}
