package pipeline

import (
	"sync"

	"cagebook/report"
)

// pass is what a watch adds to a run of its batch. A nil *pass is a plain run.
type pass struct {
	w     *Watch
	ready listing

	mu      sync.Mutex // workers ask at the same time
	stopped bool       // nothing more is begun
	started bool       // something was told of this pass
	found   *Event
}

// list is what the batch works through: all clips below root, or those that
// were complete when the pass began.
func (p *pass) list(root, out string) (listing, error) {
	if p == nil {
		return findClips(root, out)
	}
	return p.ready, nil
}

// mayBegin says whether a worker may take up another clip.
func (p *pass) mayBegin() bool {
	if p == nil {
		return true
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if !p.stopped {
		kind, _ := p.w.hindered()
		p.stopped = kind != ""
	}
	return !p.stopped
}

// tried says whether the same clip has failed in this watch not long ago.
func (p *pass) tried(key string) bool {
	if p == nil {
		return false
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	_, ok := p.w.failed[key]
	return ok
}

// again notes that what ails a clip may be over in a minute.
func (p *pass) again(rel string) {
	if p == nil {
		return
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	p.w.soon[rel] = true
}

// ended notes how a clip ended.
func (p *pass) ended(rel string, rep *report.Report) {
	if p == nil {
		return
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if rep.Outcome.State != report.Failed {
		delete(p.w.soon, rel)
	}
	if rep.Outcome.State != report.Failed || rep.Tool.Key == "" || p.w.soon[rel] {
		return
	}
	if _, ok := p.w.failed[rep.Tool.Key]; !ok {
		p.w.failed[rep.Tool.Key] = p.w.now()
	}
}

// event passes on what is news. Calls do not overlap.
func (p *pass) event(e Event) {
	told := p.w.told
	switch e.Kind {
	case EventFound:
		p.found = &e
		return
	case EventStart:
		return // progress follows where there is something to do
	case EventWarning:
		if told["warning"] != e.Reason {
			told["warning"] = e.Reason
			p.w.tell(e)
		}
		return
	case EventProgress:
		if _, ok := told[e.Clip]; ok && !p.started {
			return
		}
	case EventClip:
		text := e.State + " " + e.Reason
		same := told[e.Clip] == text
		told[e.Clip] = text
		if same && (e.Resumed || e.State == report.BadSettings || e.State == report.NotVideo) {
			return
		}
	case EventFinished:
		if !p.started {
			return
		}
	}
	if !p.started {
		p.started = true
		p.w.tell(*p.found)
	}
	p.w.tell(e)
}
