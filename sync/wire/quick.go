package wire

import "encoding/binary"

// Nearly every frame is a sync message of the shape that automerge-repo and
// this package write. It is read and written here without the general CBOR
// library, which took most of the time that a frame cost. Whatever is unusual
// in any way goes the general way, so that there is one place that says what
// is wrong with a frame; a test holds the two against each other.

// quickSync reads a map of five pairs that holds the fields of a sync or a
// request, each once, all right. Data aliases frame.
func quickSync(frame []byte) (Sync, bool) {
	r := quickReader{rest: frame}
	if r.head(majorMap) != 5 {
		return Sync{}, false
	}
	var m Sync
	var kind string
	for range 5 {
		switch key := r.text(); key {
		case "type":
			kind = r.text()
		case "senderId":
			m.SenderID = r.text()
		case "targetId":
			m.TargetID = r.text()
		case "documentId":
			m.DocumentID = r.text()
		case "data":
			m.Data = r.take(r.head(majorBytes))
		default:
			return Sync{}, false
		}
	}
	m.Request = kind == typeRequest
	// Five pairs and five fields that are not empty: none came twice.
	good := !r.bad && len(r.rest) == 0 && len(m.Data) > 0 && (kind == typeSync || m.Request) &&
		idFault(m.SenderID) == "" && idFault(m.TargetID) == "" && idFault(m.DocumentID) == ""
	return m, good
}

// quickReader takes a frame apart; after anything unusual it is bad.
type quickReader struct {
	rest []byte
	bad  bool
}

// head reads the head of an item of one major type and gives its length.
func (r *quickReader) head(major byte) int {
	if r.bad || len(r.rest) == 0 || r.rest[0]>>5 != major {
		r.bad = true
		return 0
	}
	short, size := int(r.rest[0]&0x1f), 0
	switch short {
	case 24:
		size = 1
	case 25:
		size = 2
	case 26:
		size = 4
	default:
		r.bad = short > 26
		r.rest = r.rest[1:]
		return short
	}
	if len(r.rest) < 1+size {
		r.bad = true
		return 0
	}
	n := 0
	for _, b := range r.rest[1 : 1+size] {
		n = n<<8 | int(b)
	}
	r.rest = r.rest[1+size:]
	return n
}

func (r *quickReader) take(n int) []byte {
	if r.bad || n > len(r.rest) {
		r.bad = true
		return nil
	}
	b := r.rest[:n:n]
	r.rest = r.rest[n:]
	return b
}

func (r *quickReader) text() string { return string(r.take(r.head(majorText))) }

// appendSync writes a sync or request; its fields are checked.
func appendSync(out []byte, m Sync) []byte {
	out = append(out, majorMap<<5|5)
	out = appendText(out, "type")
	out = appendText(out, m.Type())
	out = appendText(out, "senderId")
	out = appendText(out, m.SenderID)
	out = appendText(out, "targetId")
	out = appendText(out, m.TargetID)
	out = appendText(out, "documentId")
	out = appendText(out, m.DocumentID)
	out = appendText(out, "data")
	return append(appendHead(out, majorBytes, len(m.Data)), m.Data...)
}

func appendText(out []byte, s string) []byte { return append(appendHead(out, majorText, len(s)), s...) }

// appendHead writes a head in its shortest form.
func appendHead(out []byte, major byte, n int) []byte {
	major <<= 5
	switch {
	case n < 24:
		return append(out, major|byte(n))
	case n < 1<<8:
		return append(out, major|24, byte(n))
	case n < 1<<16:
		return binary.BigEndian.AppendUint16(append(out, major|25), uint16(n))
	}
	return binary.BigEndian.AppendUint32(append(out, major|26), uint32(n))
}
