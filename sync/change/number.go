package change

// reader walks a byte slice; every read is checked.
type reader struct {
	b []byte
}

func (r *reader) take(n uint64) ([]byte, *Error) {
	if n > uint64(len(r.b)) {
		return nil, refuse(CodeShort, "ends inside a field")
	}
	out := r.b[:n:n]
	r.b = r.b[n:]
	return out, nil
}

// uleb reads an unsigned LEB128 number of up to 64 bits in its shortest form.
func (r *reader) uleb() (uint64, *Error) {
	var v uint64
	for i := 0; i < len(r.b); i++ {
		c := r.b[i]
		if i == 9 && c > 1 {
			return 0, refuse(CodeNumber, "unsigned number above 64 bits")
		}
		v |= uint64(c&0x7f) << (7 * i)
		if c < 0x80 {
			if c == 0 && i > 0 {
				return 0, refuse(CodeNumber, "unsigned number not in its shortest form")
			}
			r.b = r.b[i+1:]
			return v, nil
		}
	}
	return 0, refuse(CodeShort, "ends inside a number")
}

// leb reads a signed LEB128 number of up to 64 bits in its shortest form.
func (r *reader) leb() (int64, *Error) {
	var v uint64
	for i := 0; i < len(r.b); i++ {
		c := r.b[i]
		if i == 9 && c != 0 && c != 0x7f {
			return 0, refuse(CodeNumber, "signed number above 64 bits")
		}
		v |= uint64(c&0x7f) << (7 * i)
		if c < 0x80 {
			// A last byte that only repeats the sign could have been left out.
			if i > 0 && (c == 0 && r.b[i-1]&0x40 == 0 || c == 0x7f && r.b[i-1]&0x40 != 0) {
				return 0, refuse(CodeNumber, "signed number not in its shortest form")
			}
			if shift := 7 * (i + 1); shift < 64 && c&0x40 != 0 {
				v |= ^uint64(0) << shift
			}
			r.b = r.b[i+1:]
			return int64(v), nil
		}
	}
	return 0, refuse(CodeShort, "ends inside a number")
}

func (r *reader) prefixed() ([]byte, *Error) {
	n, err := r.uleb()
	if err != nil {
		return nil, err
	}
	return r.take(n)
}

func appendUleb(b []byte, v uint64) []byte {
	for v >= 0x80 {
		b = append(b, byte(v)|0x80)
		v >>= 7
	}
	return append(b, byte(v))
}

func appendLeb(b []byte, v int64) []byte {
	for {
		c := byte(v) & 0x7f
		v >>= 7
		if v == 0 && c&0x40 == 0 || v == -1 && c&0x40 != 0 {
			return append(b, c)
		}
		b = append(b, c|0x80)
	}
}

// littleEndian reads eight bytes, the least significant first.
func littleEndian(b []byte) (v uint64) {
	for i := range 8 {
		v |= uint64(b[i]) << (8 * i)
	}
	return v
}

func appendLittleEndian(b []byte, v uint64) []byte {
	for i := range 8 {
		b = append(b, byte(v>>(8*i)))
	}
	return b
}
