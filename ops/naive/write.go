package naive

import (
	"fmt"
	"strings"
)

// object is a JSON object; values are object, []any, string, bool, int,
// int64 and micro.
type object map[string]any

// write gives the canonical form (RFC 8785). All keys here are ASCII, so
// sorting bytes sorts UTF-16 units too.
func write(v any) []byte {
	var b strings.Builder
	writeTo(&b, v)
	return []byte(b.String())
}

func writeTo(b *strings.Builder, v any) {
	switch v := v.(type) {
	case object:
		b.WriteByte('{')
		for i, k := range sortedKeys(v) {
			if i > 0 {
				b.WriteByte(',')
			}
			writeString(b, k)
			b.WriteByte(':')
			writeTo(b, v[k])
		}
		b.WriteByte('}')
	case []any:
		b.WriteByte('[')
		for i, e := range v {
			if i > 0 {
				b.WriteByte(',')
			}
			writeTo(b, e)
		}
		b.WriteByte(']')
	case string:
		writeString(b, v)
	case bool:
		fmt.Fprintf(b, "%t", v)
	case int:
		fmt.Fprintf(b, "%d", v)
	case int64:
		fmt.Fprintf(b, "%d", v)
	case micro:
		sign := ""
		if v < 0 {
			sign, v = "-", -v
		}
		text := fmt.Sprintf("%s%d.%06d", sign, int64(v)/1_000_000, int64(v)%1_000_000)
		b.WriteString(strings.TrimRight(strings.TrimRight(text, "0"), "."))
	default:
		panic(fmt.Sprintf("naive: cannot write %T", v))
	}
}

func writeString(b *strings.Builder, s string) {
	short := map[rune]string{'"': `\"`, '\\': `\\`, '\b': `\b`, '\f': `\f`, '\n': `\n`, '\r': `\r`, '\t': `\t`}
	b.WriteByte('"')
	for _, r := range s {
		switch text, ok := short[r]; {
		case ok:
			b.WriteString(text)
		case r < 0x20:
			fmt.Fprintf(b, `\u%04x`, r)
		default:
			b.WriteRune(r)
		}
	}
	b.WriteByte('"')
}
