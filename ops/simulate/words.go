package simulate

import (
	"fmt"
	"strings"
	"time"

	"gatewright/sync/change"
	"gatewright/sync/wire"
)

// say writes what happens in words.
func (w *world) say(what string, who int64, frame []byte) {
	at := time.UnixMilli(w.now).UTC().Format("2006-01-02 15:04:05.000")
	fmt.Fprintf(w.cfg.Log, "%s %d %s %d %s\n", at, w.steps, what, who, inWords(frame))
}

// inWords says what is in a frame.
func inWords(frame []byte) string {
	if len(frame) == 0 {
		return ""
	}
	m, err := wire.Decode(frame)
	if err != nil {
		return err.Error()
	}
	switch m := m.(type) {
	case wire.Sync:
		p, err := wire.DecodeSync(m.Data)
		if err != nil {
			return "sync " + err.Error()
		}
		var chunks []string
		for _, b := range p.Changes {
			c, err := change.Decode(b, change.DefaultLimits)
			if err != nil {
				chunks = append(chunks, err.Error())
				continue
			}
			chunks = append(chunks, fmt.Sprintf("%.6s(%s on %s)", c.Hash, c.Ops[0].Key, short(c.Deps)))
		}
		var have []string
		for _, h := range p.Have {
			have = append(have, fmt.Sprintf("%s+%d", short(h.LastSync), h.Bloom.Len()))
		}
		return fmt.Sprintf("sync %.6s heads %s need %s have %v changes %v", m.DocumentID, short(p.Heads), short(p.Need), have, chunks)
	case wire.Documents:
		var rows []string
		for _, d := range m.Documents {
			rows = append(rows, fmt.Sprintf("%s %.6s %s", d.Name, d.ID, short(d.Heads)))
		}
		return "documents " + strings.Join(rows, ", ")
	case wire.Refused:
		var rows []string
		for _, r := range m.Refused {
			rows = append(rows, fmt.Sprintf("%.6s %s held=%v %v: %s", r.Hash, r.Code, r.Held, r.Entries, r.Reason))
		}
		return fmt.Sprintf("refused %.6s %s", m.DocumentID, strings.Join(rows, ", "))
	case wire.Refusal:
		return "error " + m.Message
	}
	return m.Type()
}

func short(hashes []change.Hash) string {
	var out []string
	for _, h := range hashes {
		out = append(out, h.String()[:6])
	}
	return "[" + strings.Join(out, " ") + "]"
}
