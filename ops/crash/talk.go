package crash

import (
	"fmt"
	"strings"

	"gatewright/sync/change"
	"gatewright/sync/wire"
)

// talk is the end of what was said on a socket, for the report of a phone that got stuck.
type talk []string

const talkLines = 40

// note adds a frame; the arrow points from server to phone (<) or the other way (>).
func (t *talk) note(arrow string, frame []byte) {
	m, err := wire.Decode(frame)
	line := fmt.Sprintf("%s %T", arrow, m)
	switch m := m.(type) {
	case wire.Sync:
		line = arrow + " " + ofSync(m)
	case wire.Documents:
		for _, d := range m.Documents {
			line += " " + d.Name + short(d.Heads)
		}
	case wire.Refused:
		line += fmt.Sprintf(" %+v", m.Refused)
	}
	if err != nil {
		line = arrow + " " + err.Error()
	}
	if *t = append(*t, line); len(*t) > 2*talkLines {
		*t = append((*t)[:0], (*t)[talkLines:]...)
	}
}

func ofSync(m wire.Sync) string {
	p, err := wire.DecodeSync(m.Data)
	if err != nil {
		return err.Error()
	}
	out := "sync " + m.DocumentID + " heads" + short(p.Heads) + " need" + short(p.Need)
	for _, h := range p.Have {
		out += " have since" + short(h.LastSync) + " and more"
	}
	var sent []change.Hash
	for _, chunk := range p.Changes {
		if c, err := change.Decode(chunk, change.DefaultLimits); err == nil {
			sent = append(sent, c.Hash)
		}
	}
	return out + " changes" + short(sent)
}

func short(hashes []change.Hash) string {
	var out strings.Builder
	for _, h := range hashes {
		out.WriteString(" " + h.String()[:6])
	}
	return out.String()
}
