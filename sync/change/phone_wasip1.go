package change

func sum256(data []byte) [32]byte { return smallSum256(data) }

func inflate(data []byte, limit int) ([]byte, *Error) { return smallInflate(data, limit) }
